"""A yard under the night sky, through the whole core: shown with a forecast of clouds and without one."""

from pathlib import Path

import numpy as np
import pytest

from monitor.core.state import CoreState, Foreseen
from monitor.engine.build import build_shop
from monitor.engine.forecaster import Foreseer
from monitor.engine.learner import Learner
from monitor.engine.loop import CoreLoop
from monitor.model.device import Measure, Sensor
from monitor.model.level import Level
from monitor.model.picture import BodyNow
from monitor.model.place import Site, Zone
from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.model.thing import Cylinder, Plate
from monitor.physics.night_sky import Clouds
from monitor.settings.schema import ServiceSection, Settings, Weather
from monitor.store.opener import open_ledger_for, open_series_store
from monitor.weather.forecast_archive import ForecastArchive
from monitor.weather.provider import OutdoorForecast, WeatherReply, WeatherState

START_S = 1_788_890_400.0  # 2026-09-08 18:00 UTC
HOURS = 12
AIR_C, HUMIDITY = 10.0, 0.85


def _settings(folder: Path, **zone: object) -> Settings:
    measures = (
        Measure(quantity=Quantity.AIR_TEMPERATURE, unit="Cel"),
        Measure(quantity=Quantity.RELATIVE_HUMIDITY, unit="%RH"),
    )
    return Settings(
        service=ServiceSection(data_dir=folder, tick_s=300.0),
        sites=(Site(id="ferrymoor", name="Ferrymoor Slipway", latitude_deg=51.7, longitude_deg=-2.5),),
        zones=(Zone.model_validate({"id": "plate-yard", "site": "ferrymoor", "name": "Plate Yard"} | zone),),
        sensors=(Sensor(id="yard-1", zone="plate-yard", stuck_after_s=1e6, measures=measures),),
        cylinders=(Cylinder(id="argon-3", zone="plate-yard", name="Argon 3"),),
        plates=(Plate(id="deck", zone="plate-yard", name="Deck plate", thickness_m=0.01, faces=1),),
        weather=(Weather(site="ferrymoor"),),
    )


def _night(folder: Path, foresee=None, **zone: object) -> dict[str, BodyNow]:
    settings = _settings(folder, **zone)
    series, ledger = open_series_store(settings), open_ledger_for(settings)
    rows = []
    for n in range(HOURS * 12):
        for quantity, value in ((Quantity.AIR_TEMPERATURE, AIR_C), (Quantity.RELATIVE_HUMIDITY, HUMIDITY)):
            time_s = START_S + 300.0 * n
            wobble = 1e-3 * (n % 7)
            rows.append(
                Reading(SeriesKey("plate-yard", "yard-1", quantity), time_s, time_s, value + wobble, n)
            )
    series.append(rows)
    loop = CoreLoop(build_shop(settings), series, ledger, START_S, foresee=foresee, look_every_s=3600.0)
    loop.advance_to(START_S + 300.0 * len(rows) / 2.0)
    found = {body.id: body for body in loop.snapshot().bodies}
    series.close()
    ledger.close()
    return found


def _clouded(cover_frac: float):
    hours = np.arange(-24, 48) * 3600.0 + START_S

    def foresee(_shop, state: CoreState, _now_s: float):
        clouds = Clouds(tuple(hours.tolist()), (cover_frac,) * hours.size)
        return Foreseen((), (), state.memory, {"ferrymoor": clouds}), []

    return foresee


def test_a_yard_without_a_forecast_is_told_wet_and_why(tmp_path: Path) -> None:
    """10 degC and 85 %RH: by a heat balance by hand -2.3 K for a cylinder and -6.7 K for an endless plate.

    This plate's edges (3 % of its faces, at about 12 W/m2K for their 10 mm) bring in another 0.4 W/m2K, which
    the same balance, 2.5 W/m2K to the air and 4.2 to a sky of -7.6 degC, makes 0.6 K warmer.
    """
    bodies = _night(tmp_path, kind="yard")
    cylinder, plate = bodies["argon-3"], bodies["deck"]
    assert cylinder.level is plate.level is Level.DANGER
    assert cylinder.margin_k == pytest.approx(-2.3, abs=1.0)
    assert plate.margin_k == pytest.approx(-6.7 + 0.6, abs=1.0)
    assert cylinder.wet_probability_frac is not None
    assert cylinder.wet_probability_frac > 0.9
    assert cylinder.open_sky
    assert cylinder.cloud_frac is None


def test_a_forecast_of_cloud_warms_what_lies_in_the_open_and_is_said(tmp_path: Path) -> None:
    bodies = _night(tmp_path, _clouded(1.0), kind="yard")
    assert bodies["argon-3"].cloud_frac == 1.0
    assert 0.5 < (bodies["argon-3"].margin_k or 0.0) < 2.4
    assert bodies["argon-3"].level is Level.CAUTION
    assert (bodies["argon-3"].margin_std_k or 0.0) > 0.8  # the forecast may be off


@pytest.mark.parametrize(
    ("zone", "least_k", "most_k"),
    [
        ({"kind": "outdoor"}, -3.3, -1.3),
        ({"kind": "cage"}, -1.3, 0.6),  # a roof on posts unless the settings say otherwise
        ({"kind": "cage", "roof": "closed"}, 2.2, 2.6),
        ({"kind": "bay", "roof": "open"}, -1.3, 0.6),
        ({"kind": "bay"}, 2.2, 2.6),
        ({"kind": "yard", "sky_view_frac": 0.25}, 0.3, 1.8),  # a narrow yard between hulls
    ],
    ids=lambda value: "-".join(map(str, value.values())) if isinstance(value, dict) else "",
)
def test_the_roof_and_the_view_are_settings_of_a_zone(
    tmp_path: Path, zone: dict[str, object], least_k: float, most_k: float
) -> None:
    margin = _night(tmp_path, **zone)["argon-3"].margin_k
    assert margin is not None
    assert least_k <= margin <= most_k


class _Forecaster:
    id = "made up"

    def __init__(self, reply: WeatherReply) -> None:
        self._reply = reply

    def forecast(self, now_s: float) -> WeatherReply:
        return self._reply


@pytest.mark.parametrize("state", [WeatherState.GOOD, WeatherState.AWAY])
def test_the_clouds_of_a_site_come_from_its_forecast_and_go_with_it(tmp_path: Path, state) -> None:
    settings = _settings(tmp_path, kind="yard")
    series, ledger = open_series_store(settings), open_ledger_for(settings)
    archive = ForecastArchive(tmp_path / "forecasts.db")
    times = START_S + np.arange(48) * 3600.0
    flat = np.full(48, 8.0)
    forecast = OutdoorForecast("made up", START_S, times, flat, 100.0 * flat, flat, np.full(48, 0.75))
    good = state is WeatherState.GOOD
    reply = WeatherReply(state, forecast if good else None, START_S if good else None, "", "")
    shop = build_shop(settings)
    foreseer = Foreseer(
        settings, series, ledger, {"ferrymoor": _Forecaster(reply)}, archive, Learner(at_once=True)
    )
    loop = CoreLoop(shop, series, ledger, START_S)
    foreseen, _ = foreseer.look(shop, loop.state, START_S)
    clouds = foreseen.clouds["ferrymoor"]
    at = clouds.at(np.array([START_S + 1800.0, START_S + 50 * 3600.0]))
    assert at[0] == pytest.approx(0.75) if good else np.isnan(at[0])
    assert np.isnan(at[1])
    archive.close()
    series.close()
    ledger.close()
