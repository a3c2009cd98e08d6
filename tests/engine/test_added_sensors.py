"""What a shop adds for the outlook's sake: contacts, carbon dioxide, people, power, parts, sun."""

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest

from monitor.core.derived_series import ZONE
from monitor.engine.build import build_shop
from monitor.engine.forecaster import Foreseer
from monitor.engine.hours_beside import beside_hours, sun_hours
from monitor.engine.learner import Fit, Learner
from monitor.engine.loop import CoreLoop
from monitor.model.place import Zone
from monitor.model.reading import Mark, Point, Quantity, Reading, SeriesKey
from monitor.model.sensor import SensorStatus
from monitor.outlook.beside import trial_from_mapping
from monitor.outlook.response import ZoneModel
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings
from monitor.store.contract import SeriesStore
from monitor.store.opener import open_ledger_for, open_series_store
from monitor.weather.forecast_archive import ForecastArchive
from monitor.weather.provider import NoProvider
from tests.brokers import wait_until
from tests.mqtt.yard import sensor, settings_with
from tests.outlook.air import doored_bay, weather

DOOR = {"quantity": "door_open_frac", "unit": "/"}
SLOW = {"interval_s": 3600.0, "stale_after_s": 21_600.0}
START_S = 1_788_739_200.0
ROWS = 30
TRIAL = trial_from_mapping(load_toml("outlook.toml"))
ADDED = {
    "door_open_frac": "/",
    "carbon_dioxide_ppmv": "ppm",
    "people_n": "count",
    "heater_power_w": "W",
    "solar_radiation_wm2": "W/m2",
}


def test_a_contact_that_speaks_seldom_keeps_no_air_fresh() -> None:
    air = sensor("air", stale_after_s=300.0)
    alone = build_shop(settings_with(air))
    beside = build_shop(settings_with(air, sensor("door", measures=[DOOR], **SLOW)))
    assert beside.fresh_s == alone.fresh_s == {"slip-bay": 300.0}


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    measures = [{"quantity": name, "unit": unit} for name, unit in ADDED.items()]
    found = settings_with(sensor("one", measures=measures), sensor("two", measures=measures))
    return found.model_copy(update={"service": found.service.model_copy(update={"data_dir": tmp_path})})


@pytest.fixture
def store(settings: Settings) -> Iterator[SeriesStore]:
    opened = open_series_store(settings)
    yield opened
    opened.close()


def send(store: SeriesStore, name: str, quantity: Quantity, values: Sequence[float]) -> None:
    """One value in the middle of each hour; NaN: nothing."""
    key = SeriesKey("slip-bay", name, quantity)
    store.append(
        [
            Reading(key, START_S + (n - 0.5) * 3600.0, START_S + (n - 0.5) * 3600.0, value, None, True)
            for n, value in enumerate(values)
            if np.isfinite(value)
        ]
    )


def test_sensors_of_one_quantity_speak_together_and_a_missing_part_is_no_sum(
    settings: Settings, store: SeriesStore
) -> None:
    shop, gap = build_shop(settings), [np.nan] * 3
    for quantity in (Quantity.CARBON_DIOXIDE, Quantity.HEATER_POWER, Quantity.SOLAR_RADIATION):
        send(store, "one", quantity, [500.0] * ROWS)
        send(store, "two", quantity, [*[700.0] * (ROWS - 3), *gap])
    send(store, "one", Quantity.DOOR_OPEN, [0.0] * ROWS)
    send(store, "two", Quantity.DOOR_OPEN, [1.0] * ROWS)
    found = beside_hours(store, shop, "slip-bay", START_S, ROWS, None)
    assert set(found) == {Quantity.CARBON_DIOXIDE, Quantity.HEATER_POWER, Quantity.DOOR_OPEN}
    assert found[Quantity.CARBON_DIOXIDE].tolist() == [600.0] * (ROWS - 3) + [500.0] * 3
    assert found[Quantity.HEATER_POWER][: ROWS - 3].tolist() == [1200.0] * (ROWS - 3)
    assert np.isnan(found[Quantity.HEATER_POWER][ROWS - 3 :]).all()
    assert (found[Quantity.DOOR_OPEN][1:] == 1.0).all()
    sun = sun_hours(store, shop, settings.sites[0].id, START_S, ROWS, TRIAL)
    assert sun is not None
    assert (sun[:24] == 600.0).all()
    assert np.isnan(sun[24:27]).all()  # no sun stands still for more than a day


def test_a_doubtful_reading_and_a_dead_contact_are_not_believed(
    settings: Settings, store: SeriesStore
) -> None:
    shop = build_shop(settings)
    send(store, "one", Quantity.CARBON_DIOXIDE, [500.0 + n for n in range(ROWS)])
    last = store.readings_after(0, 1000)[-1]
    store.mark([Mark(last.order, SensorStatus.FAILURE, "a test")])
    send(store, "one", Quantity.DOOR_OPEN, [0.0, 1.0, 0.0, *[1.0] * (ROWS - 3)])
    found = beside_hours(store, shop, "slip-bay", START_S, ROWS, TRIAL)
    assert np.isnan(found[Quantity.CARBON_DIOXIDE][-1])
    assert found[Quantity.CARBON_DIOXIDE][-2] == 528.0
    stood = found[Quantity.DOOR_OPEN]
    assert np.isfinite(stood[5:26]).all()
    assert np.isnan(stood[-1])  # the same for more than a day


def test_the_outlook_learns_from_a_door_in_the_store_and_its_page_says_what_it_does(tmp_path: Path) -> None:
    outdoor = weather(24 * 40, 2)
    bay = doored_bay(outdoor, 24 * 40, 6)
    door = sensor("door", measures=[DOOR], **SLOW)
    yard = settings_with(sensor("air"), door)
    zones = (*yard.zones, Zone(id="mast", site="ferrymoor", name="Mast", kind="outdoor"))
    service = yard.service.model_copy(update={"data_dir": tmp_path})
    yard = yard.model_copy(update={"service": service, "zones": zones})
    series, ledger = open_series_store(yard), open_ledger_for(yard)
    hours = bay.start_s + np.arange(bay.temperature_c.size) * 3600.0 - 1800.0
    for zone, air in (("slip-bay", bay), ("mast", outdoor)):
        for quantity, column in (
            (Quantity.AIR_TEMPERATURE, air.temperature_c),
            (Quantity.VAPOUR_PRESSURE, air.vapour_pressure_pa),
        ):
            key = SeriesKey(zone, ZONE, quantity)
            series.write_points(
                [Point(key, *one) for one in zip(hours.tolist(), column.tolist(), strict=True)]
            )
    key = SeriesKey("slip-bay", "door", Quantity.DOOR_OPEN)
    said = zip(hours.tolist(), bay.beside[Quantity.DOOR_OPEN].tolist(), strict=True)
    series.append([Reading(key, time_s, time_s, value, None, True) for time_s, value in said])
    archive, now_s = ForecastArchive(tmp_path / "forecasts.db"), bay.end_s + 60.0
    for with_door in (True, False):
        settings = yard if with_door else yard.model_copy(update={"sensors": yard.sensors[:1]})
        foreseer = Foreseer(
            settings, series, ledger, {"ferrymoor": NoProvider()}, archive, Learner(at_once=True)
        )
        shop = build_shop(settings)
        foreseer.picture(shop, CoreLoop(shop, series, ledger, now_s).state, now_s)
        explained = foreseer.views["ferrymoor"].explanations["slip-bay"]
        assert ("its door" in explained) is with_door
    quick = _Quick(at_once=False)
    foreseer = Foreseer(yard, series, ledger, {"ferrymoor": NoProvider()}, archive, quick)
    shop = build_shop(yard)
    state = CoreLoop(shop, series, ledger, now_s).state
    assert foreseer.look(shop, state, now_s) is None  # however soon the model came, this look had none
    assert not quick.first_fits
    assert foreseer.look(shop, state, now_s) is not None
    archive.close()
    series.close()
    ledger.close()


class _Quick(Learner):
    """Gives none the first time and has fitted it before anybody looks again."""

    def model(self, zone: str, now_s: float, fit: Fit, *, decides: bool) -> ZoneModel | None:
        found = super().model(zone, now_s, fit, decides=decides)
        wait_until(lambda: not self.first_fits, "the first model")
        return found
