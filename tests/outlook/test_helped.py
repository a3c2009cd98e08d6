"""What a shop adds: let in where it makes its zone's forecast nearer, left out where not, never too sure of.

The yard's truth is known: a door that nobody's timetable opens, people who add vapour or none. The open
records hold radiation beside an attic and carbon dioxide beside an office.
"""

import csv
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from monitor.engine.rehearsal import foreseen
from monitor.model.reading import Quantity
from monitor.outlook.backtest import Recording
from monitor.outlook.bands import bands_of, coverage
from monitor.outlook.bank import Track, track
from monitor.outlook.beside import Trial, believed, habit, trial_from_mapping
from monitor.outlook.early import NOTHING_KNOWN
from monitor.outlook.experts import KNOTS_H
from monitor.outlook.forecast import ZoneForecast
from monitor.outlook.helped import combined, tried
from monitor.outlook.hourly import AirHistory, FloatArray, OutdoorAir, fill_short_gaps, hourly_means
from monitor.outlook.response import ZoneModel, explain, fit, forecast
from monitor.physics.saturation import vapour_pressure_pa
from monitor.settings.reference import load_toml
from tests.outlook.air import doored_bay, weather
from tests.outlook.open_rooms import DATA, hours, needs_open_data, open_radiation, open_rooms

TRIAL: Trial = trial_from_mapping(load_toml("outlook.toml"))
ROWS = 60 * 24 + 1
SETTLED = slice(30 * 24, None)


def with_help(history: AirHistory, outdoor: OutdoorAir | None, *, temperature: bool) -> tuple[Track, Track]:
    base = track(history, outdoor, temperature=temperature)
    sets = tried(base, history, outdoor, NOTHING_KNOWN, TRIAL, temperature=temperature)
    return base, combined(base, sets)


def ratio(base: Track, helped: Track, ahead_h: int, rows: slice = SETTLED) -> float:
    k = KNOTS_H.index(ahead_h)
    own, plain = (float(np.nanmean(np.abs(one.error[rows, k]))) for one in (helped, base))
    return own / plain


@pytest.fixture(scope="module")
def outdoor() -> OutdoorAir:
    return weather(24 * 90 + 48, 2)


def until(history: AirHistory, rows: int, **beside: FloatArray) -> AirHistory:
    columns = {**history.beside, **{Quantity(name): column for name, column in beside.items()}}
    return AirHistory(
        history.zone,
        history.start_s,
        history.temperature_c[:rows],
        history.vapour_pressure_pa[:rows],
        beside={quantity: column[:rows] for quantity, column in columns.items()},
    )


def told(outdoor: OutdoorAir, rows: int) -> OutdoorAir:
    return OutdoorAir(outdoor.temperature_c[: rows + 48], outdoor.vapour_pressure_pa[: rows + 48])


@pytest.fixture(scope="module")
def yard(outdoor: OutdoorAir) -> AirHistory:
    """Its people do nothing to its air."""
    return doored_bay(outdoor, 24 * 90, 6)


@pytest.fixture(scope="module")
def models(yard: AirHistory, outdoor: OutdoorAir) -> tuple[ZoneModel, ZoneModel]:
    """The yard's bay learnt with what was added, and without."""
    history, air = until(yard, ROWS), told(outdoor, ROWS)
    return fit(history, air, trial=TRIAL), fit(history, air)


def test_a_door_that_nobody_schedules_makes_the_next_hours_nearer(
    yard: AirHistory, outdoor: OutdoorAir
) -> None:
    for temperature, ahead_h, most in ((True, 1, 0.96), (True, 3, 0.99), (False, 6, 0.96)):
        base, helped = with_help(yard, outdoor, temperature=temperature)
        assert ratio(base, helped, ahead_h) < most
        assert max(ratio(base, helped, h) for h in KNOTS_H) < 1.01


def test_people_who_add_vapour_make_it_nearer_and_people_who_add_none_are_left_out(
    yard: AirHistory, outdoor: OutdoorAir
) -> None:
    breathing = doored_bay(outdoor, 24 * 90, 6, person_pa_h=15.0)
    for history, most in ((breathing, 0.97), (yard, 1.005)):
        people = replace(history, beside={Quantity.PEOPLE: history.beside[Quantity.PEOPLE]})
        base, helped = with_help(people, outdoor, temperature=False)
        assert ratio(base, helped, 3) < most


def test_the_page_says_what_helps_what_gains_nothing_and_what_is_too_young(
    models: tuple[ZoneModel, ZoneModel], yard: AirHistory, outdoor: OutdoorAir
) -> None:
    said = explain(models[0])
    assert "With its door the dew point" in said
    assert "h ahead misses by" in said
    assert "With people nothing is gained here." in said
    assert "its door" not in explain(models[1])
    late = np.full(ROWS, np.nan)
    late[-5 * 24 :] = 500.0 + 100.0 * np.random.default_rng(1).random(5 * 24)
    young = replace(until(yard, ROWS), beside={Quantity.CARBON_DIOXIDE: late})
    assert explain(fit(young, told(outdoor, ROWS), trial=TRIAL)).endswith(
        "Of its carbon dioxide 5 days are known, too few to say whether it helps."
    )


def same(one: ZoneForecast, other: ZoneForecast) -> bool:
    return all(
        np.array_equal(getattr(one, name), getattr(other, name))
        for name in ("dew_point_samples_c", "temperature_samples_c")
    ) and all(
        np.array_equal(getattr(getattr(one, name), end), getattr(getattr(other, name), end))
        for name in ("dew_point_c", "temperature_c")
        for end in ("median", "low", "high")
    )


@pytest.mark.parametrize("fault", ["absent", "late", "frozen", "impossible", "removed"])
def test_without_its_added_input_a_forecast_is_the_one_without_band_and_all(
    fault: str, models: tuple[ZoneModel, ZoneModel], yard: AirHistory, outdoor: OutdoorAir
) -> None:
    rows = ROWS + 100
    history, air = until(yard, rows), told(outdoor, rows)
    door = history.beside[Quantity.DOOR_OPEN].copy()
    assert not same(forecast(models[0], history, air), forecast(models[1], history, air))
    if fault == "absent":
        door[ROWS:] = np.nan
    elif fault == "late":
        door[-1] = np.nan
    elif fault == "frozen":
        door[ROWS:] = 0.7
    elif fault == "impossible":
        door[-1] = 40.0
    beside = {**history.beside, Quantity.DOOR_OPEN: believed(door, TRIAL)}
    if fault == "removed":
        del beside[Quantity.DOOR_OPEN]
    history = replace(history, beside=beside)
    found = forecast(models[0], history, air)
    assert same(found, forecast(models[1], history, air))
    assert any("its door" in note and "as without" in note for note in found.notes)


def test_what_an_input_will_be_is_its_habit_of_the_hour_as_known_now() -> None:
    hour = np.arange(24.0 * 20)
    value = np.where(hour % 24 == 9, 1.0, 0.0)
    later = value.copy()
    later[24 * 12 :] = 7.0
    for first, many in ((0, 1), (1, 12), (1, 48)):
        found = habit(value, first, many)
        np.testing.assert_array_equal(found[: 24 * 12], habit(later, first, many)[: 24 * 12])
        row = 24 * 11 + 3
        coming = (row + first + np.arange(many)) % 24 == 9
        assert found[row] == pytest.approx(coming.mean())


def test_an_input_is_judged_by_the_hours_before_it_alone() -> None:
    rng = np.random.default_rng(4)
    value = np.round(rng.random(24 * 30), 2)
    value[300:360], value[500] = 0.5, 9.0
    whole = believed(value, TRIAL)
    assert np.isnan(whole[330:360]).all()
    assert np.isfinite(whole[300:320]).all()
    assert np.isnan(whole[500])
    value = np.concatenate([value, 1000.0 * value[-72:]])  # another unit, for three days
    assert np.isnan(believed(value, TRIAL)[-72:][value[-72:] > 10.0]).all()
    summer = np.concatenate([np.zeros(24 * 40), 100.0 * rng.random(24 * 10)])  # a heater's first cold days
    assert np.isfinite(believed(summer, TRIAL)[24 * 41 :]).mean() > 0.9
    for rows in (310, 345, 501):
        np.testing.assert_array_equal(believed(value[:rows], TRIAL), whole[:rows])


def test_the_future_of_an_added_input_is_never_seen(yard: AirHistory, outdoor: OutdoorAir) -> None:
    history, air = until(yard, ROWS), told(outdoor, ROWS)
    door = history.beside[Quantity.DOOR_OPEN].copy()
    door[1000:] = 1.0 - door[1000:]
    for temperature in (False, True):
        one = with_help(history, air, temperature=temperature)[1]
        other = with_help(until(yard, ROWS, door_open_frac=door), air, temperature=temperature)[1]
        np.testing.assert_allclose(one.value[:1000], other.value[:1000], rtol=1e-9, atol=1e-9)


def test_bands_hold_with_what_was_added(yard: AirHistory, outdoor: OutdoorAir) -> None:
    for temperature in (False, True):
        helped = with_help(yard, outdoor, temperature=temperature)[1]
        held = coverage(
            np.where(np.arange(helped.now.size)[:, None] >= 720, helped.error, np.nan), bands_of(helped, None)
        )
        for h in (1, 3, 6, 12, 24):
            assert 0.74 <= held[KNOTS_H.index(h)] <= 0.87


@needs_open_data
@pytest.mark.parametrize("kind", ["perfect", "typical"])
def test_the_sun_makes_an_attics_temperature_nearer_and_its_dew_point_no_worse(kind: str) -> None:
    """TRH database R4 with the radiation of the Finnish Meteorological Institute, CC BY 4.0."""
    record = sunlit("unheated attic")
    air = foreseen(
        record.outdoor, record.history.temperature_c.size, "perfect" if kind == "perfect" else "typical", 7
    )
    base, helped = with_help(record.history, air, temperature=True)
    most = {"perfect": (0.94, 0.91, 0.92), "typical": (0.985, 0.98, 0.975)}[kind]
    for ahead_h, bound in zip((3, 6, 12), most, strict=True):
        assert ratio(base, helped, ahead_h) < bound
    base, helped = with_help(record.history, air, temperature=False)
    assert max(ratio(base, helped, h) for h in (1, 3, 6, 12, 24, 48)) < 1.005


def sunlit(name: str) -> Recording:
    """From the end of winter to autumn."""
    record, here = open_rooms()[name], slice(24 * 90, 24 * 330)
    sun = open_radiation(record.history.start_s, record.history.temperature_c.size)
    assert record.outdoor is not None
    air = OutdoorAir(
        record.outdoor.temperature_c[here], record.outdoor.vapour_pressure_pa[here], sun_wm2=sun[here]
    )
    return replace(record, history=hours(record.history, here.start, here.stop), outdoor=air)


@needs_open_data
def test_an_offices_six_days_of_carbon_dioxide_are_too_few_to_be_let_in() -> None:
    """Occupancy Detection, Candanedo and Feldheim, Energy and Buildings 112 (2016) 28-39, CC BY 4.0."""
    with (Path(DATA) / "office_occupancy_training.csv").open(encoding="utf-8") as file:
        rows = list(csv.reader(file))[1:]
    moments = np.array([datetime.fromisoformat(r[1]).replace(tzinfo=UTC).timestamp() for r in rows])
    warm, damp, gas = (np.array([float(r[n]) for r in rows]) for n in (2, 3, 5))
    start_s = float(np.ceil(moments[0] / 3600.0) * 3600.0)
    many = int((moments[-1] - start_s) // 3600.0) + 1
    air, pressure, dioxide = (
        fill_short_gaps(hourly_means(moments, column, start_s, many))
        for column in (warm, vapour_pressure_pa(warm, damp / 100.0), gas)
    )
    office = AirHistory("office", start_s, air, pressure, beside={Quantity.CARBON_DIOXIDE: dioxide})
    with_it, without = fit(office, None, trial=TRIAL), fit(office, None)
    assert same(forecast(with_it, office, None), forecast(without, office, None))
    assert "Of its carbon dioxide 6 days are known, too few" in explain(with_it)
