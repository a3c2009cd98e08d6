"""What bodies outdoors lose to the sky, against a month of measured nights and against balances by hand.

The measured month is that of the station Payerne (MeteoSwiss) of the Baseline Surface Radiation Network, June
2016, as it comes with the wheel of pvlib 0.11.0; we thank the station and the network (Driemel et al. 2018,
Earth System Science Data 10, 1491, doi 10.5194/essd-10-1491-2018) for the data.
"""

import warnings
from importlib.resources import files

import numpy as np
import pandas as pd
import pytest

from monitor.model.errors import RangeError
from monitor.physics.bodies import Body, body_data, cylinder_body, plate_body
from monitor.physics.clearing import Air, clearing
from monitor.physics.exchange import exchange, surroundings
from monitor.physics.lag import advance, start_state, surface_margin_k, trajectory
from monitor.physics.night_sky import (
    Clouds,
    Sky,
    SkyDoubt,
    clear_emissivity,
    clear_gap_wm2,
    seen,
    sky_loss_wm2,
)
from monitor.physics.saturation import vapour_pressure_pa
from monitor.settings.reference import load_toml
from tests.physics.oracles_heat import regulator_body, sky_temperature_c

from .conftest import RecordCheck

pvlib = pytest.importorskip("pvlib", reason="the measured skies come with pvlib, a test extra")

DATA = body_data(load_toml("bodies.toml"))
CYLINDER = cylinder_body(DATA, "argon", diameter_m=0.23, height_m=1.3, steel_kg=60.0, gas_kg=10.0)
PLATE = plate_body(DATA, thickness_m=0.01, width_m=1.0, length_m=2.0, faces=1, edges=False)
STEFAN = 5.670374419e-8
NIGHT_SUN_DEG = -6.0
PAYERNE = (46.815, 6.944, 491.0)


@pytest.fixture(scope="module")
def nights() -> dict[str, np.ndarray]:
    """Minutes with the sun more than 6 degrees below the horizon: longwave, air, vapour pressure."""
    file = str(files("pvlib") / "data" / "bsrn-pay0616.dat.gz")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the reader is older than the tables it fills
        frame, _ = pvlib.iotools.read_bsrn(file)
    sun = pvlib.solarposition.get_solarposition(frame.index, *PAYERNE)["elevation"]
    frame = frame[(sun < NIGHT_SUN_DEG).to_numpy()].dropna(subset=["lwd", "temp_air", "relative_humidity"])
    air = frame["temp_air"].to_numpy(float)
    humidity = np.clip(frame["relative_humidity"].to_numpy(float) / 100.0, 0.0, 1.0)
    steady = frame["lwd"].rolling("31min", center=True).std()
    return {
        "longwave_wm2": frame["lwd"].to_numpy(float),
        "air_c": air,
        "vapour_pa": vapour_pressure_pa(air, humidity),
        "restless_wm2": pd.Series(steady).to_numpy(float),
    }


def clear_minutes(nights: dict[str, np.ndarray]) -> np.ndarray:
    """Steady minutes whose emissivity is near the clear sky's by another formula than the one on trial.

    Berdahl and Martin 1984, Solar Energy 32, 663 (from memory), by the dew point in degC.
    """
    dew = _magnus_dew_c(nights["vapour_pa"])
    berdahl = 0.711 + 0.56 * dew / 100.0 + 0.73 * (dew / 100.0) ** 2
    emissivity = nights["longwave_wm2"] / (STEFAN * (nights["air_c"] + 273.15) ** 4)
    return (nights["restless_wm2"] < 1.0) & (emissivity <= berdahl + 0.03)


def _magnus_dew_c(vapour_pa: np.ndarray) -> np.ndarray:
    logarithm = np.log(vapour_pa / 611.2)
    return 243.12 * logarithm / (17.62 - logarithm)


def test_a_clear_sky_is_as_cold_as_it_was_measured(nights, record_check: RecordCheck) -> None:
    clear = clear_minutes(nights)
    assert clear.sum() > 500
    told = sky_temperature_c(nights["air_c"][clear], nights["vapour_pa"][clear], 0.0)
    measured = (nights["longwave_wm2"][clear] / STEFAN) ** 0.25 - 273.15
    off = told - measured
    source = "BSRN Payerne, June 2016, clear minutes"
    record_check("clear sky, mean", worst=abs(float(off.mean())), bound=1.0, unit="K", source=source)
    record_check("clear sky, deviation", worst=float(off.std()), bound=1.0, unit="K", source=source)


def test_no_measured_night_was_colder_than_the_end_that_is_taken_without_a_forecast(nights) -> None:
    """What is assumed is assumed against us: the measured sky is warmer, but for the stated uncertainty."""
    air, vapour = nights["air_c"], nights["vapour_pa"]
    lost = STEFAN * (air + 273.15) ** 4 - nights["longwave_wm2"]
    doubt = DATA.sky_doubt
    told, std = seen(Sky(1.0), doubt, (np.zeros(air.size), air, vapour))
    assert np.mean(lost <= told + 2.0 * std) > 0.999
    assert np.mean(lost <= told + 0.5 * std) > 0.95


def test_every_measured_sky_lies_between_clear_and_overcast(nights) -> None:
    """Payerne again; full cover by Unsworth and Monteith 1975 leaves 16 % of the clear sky's gap."""
    air, vapour = nights["air_c"], nights["vapour_pa"]
    lost = STEFAN * (air + 273.15) ** 4 - nights["longwave_wm2"]
    covered = sky_loss_wm2(air, vapour, 1.0)
    assert covered == pytest.approx(0.16 * clear_gap_wm2(air, vapour))
    # the loss under the densest cloud measured, fog apart, is about the overcast one
    dense = np.sort(lost)[int(0.05 * lost.size) : int(0.3 * lost.size)]
    assert float(np.median(dense)) == pytest.approx(float(np.median(covered)), abs=6.0)


def test_the_clear_emissivity_is_brutsaerts_by_hand() -> None:
    """1.24 (e/T)^(1/7), Water Resources Research 11 (1975) 742: e = 10.43 hPa, T = 283.15 K give 0.773."""
    assert clear_emissivity(10.0, 1043.0) == pytest.approx(1.24 * (10.43 / 283.15) ** (1 / 7), rel=1e-12)
    assert clear_emissivity(10.0, 1043.0) == pytest.approx(0.773, abs=0.001)
    assert clear_emissivity(-20.0, 0.0) > 0.0


def _skin_after_a_night(body: Body, sky: Sky, *, air_c: float = 10.0, humidity: float = 0.85):
    times = np.arange(1, 15) * 3600.0
    state = start_state(body, 0.0, air_c)
    end = advance(body, state, times, np.full(14, air_c), np.full(14, humidity), draught_ms=0.1, sky=sky)
    return end, surface_margin_k(end.skin_c, vapour_pressure_pa(air_c, humidity))[0]


@pytest.mark.parametrize(
    ("body", "by_hand_k", "view"), [(CYLINDER, -2.3, 0.5), (PLATE, -6.7, 1.0)], ids=["cylinder", "plate"]
)
def test_a_body_in_an_open_yard_sweats_on_a_clear_night(
    body: Body, by_hand_k: float, view: float, record_check: RecordCheck
) -> None:
    """10 degC and 85 %RH: by hand -2.3 K for a cylinder, -6.7 K for a plate, without the heat of the dew.

    Balance by hand (Incropera et al., eq. 1.7 and chapter 9): emissivity times view times the sky's loss of
    82 W/m2 against 4.6 W/m2K of radiation and 3 of convection, dew point 2.4 K below the air.
    """
    _, margin = _skin_after_a_night(body, Sky(1.0))
    loss = float(sky_loss_wm2(10.0, vapour_pressure_pa(10.0, 0.85), 0.0))
    rough = 2.4 - 0.9 * view * loss / (4.6 + 3.2)
    assert margin < 0.0
    assert rough == pytest.approx(by_hand_k, abs=0.6)
    name = f"yard at night, view {view:g}"
    record_check(name, worst=abs(margin - by_hand_k), bound=1.0, unit="K", source="heat balance by hand")


def test_the_sky_settles_where_the_balance_of_a_dry_body_says() -> None:
    """In air too dry for dew: emission to the sky equals what air and ground give, solved here by halving."""
    end, _ = _skin_after_a_night(CYLINDER, Sky(1.0), humidity=0.3)
    vapour = vapour_pressure_pa(10.0, 0.3)
    loss = float(sky_loss_wm2(10.0, vapour, 0.0)) * 0.5 * 0.9
    around = surroundings(CYLINDER, 10.0, 101_325.0, 0.1)
    low, high = 0.0, 10.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        now = exchange(CYLINDER, middle, (10.0, vapour), around, wet=False)
        given = now.convective_wm2k * (10.0 - middle)
        given += 0.9 * STEFAN * (283.15**4 - (middle + 273.15) ** 4)
        low, high = (middle, high) if given > loss else (low, middle)
    assert end.skin_c == pytest.approx(middle, abs=0.05)


def test_cloud_and_roof_only_ever_warm_a_body_and_no_forecast_is_the_coldest() -> None:
    hours = tuple(float(n) * 3600.0 for n in range(20))
    skies = [
        Sky(1.0),
        Sky(1.0, Clouds(hours, (0.0,) * 20)),
        Sky(1.0, Clouds(hours, (0.5,) * 20)),
        Sky(1.0, Clouds(hours, (1.0,) * 20)),
        Sky(0.5, Clouds(hours, (1.0,) * 20)),
        Sky(0.0),
    ]
    ends = [_skin_after_a_night(PLATE, sky)[0] for sky in skies]
    skins = [end.skin_c for end in ends]
    films = [end.film_gm2 for end in ends]
    assert skins[0] == pytest.approx(skins[1], abs=1e-9)
    assert skins == sorted(skins)
    assert films == sorted(films, reverse=True)
    assert skins[-1] == pytest.approx(10.0, abs=1e-6)
    hole = Sky(1.0, Clouds(hours, (1.0, *(float("nan"),) * 18, 1.0)))
    assert _skin_after_a_night(PLATE, hole)[0].skin_c < skins[1] + 0.5


def test_a_forecast_ends_and_the_sky_is_clear_again_after_it() -> None:
    short = Sky(1.0, Clouds((0.0, 3600.0), (1.0, 1.0)))
    assert _skin_after_a_night(PLATE, short)[0].skin_c == pytest.approx(
        _skin_after_a_night(PLATE, Sky(1.0))[0].skin_c, abs=0.1
    )


def test_the_doubt_of_the_sky_is_carried_into_the_skin() -> None:
    """A steady error of the loss moves a settled dry skin by itself over the exchange (JCGM 100, 5.1.2)."""
    hours = tuple(float(n) * 3600.0 for n in range(20))
    under_roof, _ = _skin_after_a_night(CYLINDER, Sky(0.0), humidity=0.3)
    clouded, _ = _skin_after_a_night(CYLINDER, Sky(1.0, Clouds(hours, (0.5,) * 20)), humidity=0.3)
    vapour = np.array([vapour_pressure_pa(10.0, 0.3)])
    _, std = seen(
        Sky(1.0, Clouds(hours, (0.5,) * 20)), DATA.sky_doubt, (np.array([60.0]), np.array([10.0]), vapour)
    )
    by_hand = 0.45 * float(std[0]) / 8.5
    assert clouded.skin_std_k - under_roof.skin_std_k > 0.6 * by_hand
    doubt = SkyDoubt(8.0, 0.3)
    clear = seen(Sky(1.0), doubt, (np.array([60.0]), np.array([10.0]), vapour))
    assert float(clear[1][0]) == pytest.approx(8.0)
    assert float(
        seen(Sky(1.0, deviations=1.0), doubt, (np.zeros(1), np.full(1, 10.0), vapour))[0][0]
    ) < float(clear[0][0])


def test_a_wet_plate_in_the_open_dries_later_than_under_a_roof() -> None:
    state = start_state(PLATE, 0.0, 12.0, film_gm2=80.0)
    air = (np.array([0.0]), np.array([14.0]), np.array([0.6]))
    open_hours = clearing(PLATE, state, Air(*air, draught_ms=0.5, sky=Sky(1.0))).dry.hours
    roofed = clearing(PLATE, state, Air(*air, draught_ms=0.5)).dry.hours
    assert roofed is not None
    assert open_hours is None or open_hours > 1.2 * roofed


def test_faces_see_as_much_sky_as_their_tilt_leaves() -> None:
    """View factors to the sky dome: up 1, upright 1/2, down 0 (Incropera et al., section 13.1)."""
    assert PLATE.sky_area_m2 >= 0.9 * 2.0
    both = plate_body(DATA, thickness_m=0.01, width_m=1.0, length_m=2.0, lying=True, edges=False)
    assert both.sky_area_m2 == pytest.approx(PLATE.sky_area_m2, rel=0.02)
    assert CYLINDER.sky_area_m2 == pytest.approx(0.9 * 0.5 * CYLINDER.area_m2)
    regulator = regulator_body(DATA, mass_kg=1.5)
    assert regulator.sky_area_m2 == pytest.approx(0.3 * 0.5 * regulator.area_m2)


def test_a_cover_that_cannot_be_is_refused() -> None:
    with pytest.raises(RangeError, match="cover_frac: found 40"):
        sky_loss_wm2(10.0, 1000.0, 40.0)
    told = sky_loss_wm2(np.array([10.0, 10.0]), 1000.0, np.array([np.nan, 0.0]))
    assert told[0] == told[1]
    assert sky_loss_wm2(10.0, 1000.0, float("nan")) == told[0]


def test_the_path_of_a_night_and_one_step_of_it_agree() -> None:
    times = np.arange(1, 9) * 3600.0
    state = start_state(CYLINDER, 0.0, 12.0)
    air, damp = np.linspace(12.0, 4.0, 8), np.full(8, 0.8)
    path = trajectory(CYLINDER, state, times, air, damp, sky=Sky(1.0))
    by_one = state
    for time, celsius, humidity in zip(times, air, damp, strict=True):
        by_one = advance(CYLINDER, by_one, [time], [celsius], [humidity], sky=Sky(1.0))
    assert by_one.skin_c == pytest.approx(float(path.skin_c[-1]), abs=0.1)
