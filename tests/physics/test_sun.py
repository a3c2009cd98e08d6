"""Where the sun stands and what the sky lets through, against pvlib's ephemeris and measured skies."""

import warnings
from importlib.resources import files

import numpy as np
import pandas as pd
import pytest

from monitor.model.errors import RangeError
from monitor.physics.sun import clear_sky_wm2, sun_elevation_sine, under_clouds_wm2

from .conftest import RecordCheck

pvlib = pytest.importorskip("pvlib", reason="the sun's places and a measured month come with pvlib")

PLACES = ((54.0, -3.0), (60.2, 24.9), (0.0, 100.0), (-33.9, 151.2), (40.6, -73.8))
YEARS = pd.date_range("2019-01-01", "2028-12-31", freq="7h13min", tz="UTC")


def test_the_sun_stands_where_a_full_ephemeris_puts_it(record_check: RecordCheck) -> None:
    """pvlib's algorithm of NREL (Reda and Andreas 2004, to 0.0003 degrees), without refraction, ten years."""
    time_s = YEARS.as_unit("s").asi8.astype(float)
    for latitude, longitude in PLACES:
        real = pvlib.solarposition.get_solarposition(YEARS, latitude, longitude)["elevation"].to_numpy()
        ours = np.degrees(np.arcsin(sun_elevation_sine(latitude, longitude, time_s)))
        record_check(
            "sun's elevation",
            worst=float(np.abs(ours - real).max()),
            bound=0.6,
            unit="deg",
            source="pvlib, NREL solar position algorithm",
        )


def test_the_clear_sky_is_that_of_haurwitz(record_check: RecordCheck) -> None:
    zenith = np.arange(0.0, 120.0, 1.0)
    theirs = pvlib.clearsky.haurwitz(pd.Series(zenith))["ghi"].to_numpy()
    ours = clear_sky_wm2(np.cos(np.radians(zenith)))
    record_check(
        "clear sky radiation",
        worst=float(np.abs(ours - theirs).max()),
        bound=0.5,
        unit="W/m²",
        source="pvlib, clearsky.haurwitz",
    )


def test_no_measured_hour_was_much_above_the_clear_sky(record_check: RecordCheck) -> None:
    """Payerne (MeteoSwiss), Baseline Surface Radiation Network, June 2016, as it comes with pvlib."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the reader is older than the tables it fills
        frame, _ = pvlib.iotools.read_bsrn(str(files("pvlib") / "data" / "bsrn-pay0616.dat.gz"))
    minutes = frame["ghi"].dropna()
    time_s = minutes.index.as_unit("s").asi8.astype(float)
    clear = clear_sky_wm2(sun_elevation_sine(46.815, 6.944, time_s))
    hours = pd.DataFrame({"was": minutes.to_numpy(), "clear": clear}, index=minutes.index)
    hours = hours.resample("1h").mean()
    bright = hours[hours["clear"] > 200.0]
    share = (bright["was"] / bright["clear"]).to_numpy()
    record_check(
        "clear sky radiation, brightest hours",
        worst=abs(float(np.quantile(share, 0.95)) - 1.0),
        bound=0.08,
        unit="/",
        source="measured month at Payerne (BSRN)",
    )


def test_clouds_leave_what_kasten_and_czeplak_say(record_check: RecordCheck) -> None:
    """By hand: 1 - 0.75 N^3.4 at N = 0, 1/2, 3/4, 1."""
    cover, left = np.array([0.0, 0.5, 0.75, 1.0]), np.array([1.0, 0.92895, 0.71799, 0.25])
    worst = float(np.abs(under_clouds_wm2(np.ones(4), cover) - left).max())
    record_check(
        "radiation under clouds", worst=worst, bound=1e-4, unit="/", source="the formula, worked by hand"
    )
    assert np.isnan(under_clouds_wm2(np.ones(1), np.array([np.nan]))).all()


def test_at_night_there_is_none_and_what_cannot_be_is_refused() -> None:
    assert (clear_sky_wm2(np.array([-1.0, -0.2, 0.0])) == 0.0).all()
    for call in (
        lambda: sun_elevation_sine(91.0, 0.0, np.zeros(1)),
        lambda: sun_elevation_sine(0.0, 190.0, np.zeros(1)),
        lambda: clear_sky_wm2(np.array([1.2])),
        lambda: under_clouds_wm2(np.ones(1), np.array([1.2])),
    ):
        with pytest.raises(RangeError):
            call()
