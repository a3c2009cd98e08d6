"""A zone's first weeks: never far from the best plain rule, with bands that hold."""

from dataclasses import replace

import numpy as np
import pytest

from monitor.outlook.bands import bands_of
from monitor.outlook.bank import BASELINES, Track, track
from monitor.outlook.early import (
    SIGHTED,
    YOUNG_DAYS,
    RoomsKnown,
    known_to,
    quantity_name,
    room_of,
    rooms_known,
    young_mornings,
)
from monitor.outlook.experts import KNOTS_H
from monitor.outlook.hourly import AirHistory, FloatArray, OutdoorAir
from monitor.outlook.response import fit, forecast
from monitor.outlook.ridge import daily_sums, day_of
from tests.bench.rooms_known import building, first_weeks, learn_rooms, seen
from tests.outlook.ahead import shared
from tests.outlook.air import room, weather
from tests.outlook.open_rooms import needs_open_data, open_rooms

KNOWN = rooms_known(shared("rooms_known.toml"))
FIRST_H = 24 * YOUNG_DAYS
ROWS = 24 * 10 + 1


def young(rows: int = ROWS, seed: int = 1) -> tuple[AirHistory, OutdoorAir]:
    outdoor = weather(rows + 48, seed)
    return room(outdoor, rows, exchange_h=0.6, lag_h=12.0, gain_pa_h=30.0, zone="bay"), outdoor


def test_the_data_has_a_slope_for_every_input_of_every_horizon() -> None:
    assert [one.anywhere for one in KNOWN.rooms] == [True, False, False]
    for one in KNOWN.rooms:
        for name, slope in one.slope.items():
            assert slope.shape == (len(KNOTS_H), 11 if name.endswith("weather") else 4)
    assert KNOWN.error_shape is not None
    for sizes in KNOWN.error_shape.values():
        assert (np.diff(sizes, axis=1) >= 0.0).all()  # quantiles


def test_a_slope_is_held_while_nothing_is_known_and_given_up_as_days_come() -> None:
    rng = np.random.default_rng(3)
    rows = 24 * 200 + 1
    inputs = rng.normal(size=(rows, 2))
    target = inputs @ [1.0, -0.5] + 0.1 * rng.normal(size=rows)
    fits = daily_sums(inputs, target, horizon_h=1).towards(np.array([0.0, 0.0]), 200, 20.0)
    np.testing.assert_array_equal(fits.slope[0], [0.0, 0.0])
    early, late = fits.slope[5], fits.slope[-1]
    np.testing.assert_allclose(early, [5 / 25, -0.5 * 5 / 25], rtol=0.25)  # n / (n + held)
    np.testing.assert_allclose(late, [200 / 220, -0.5 * 200 / 220], rtol=0.05)


@pytest.mark.parametrize("sighted", [True, False])
@pytest.mark.parametrize("rows", [24 * 3 + 1, ROWS])
def test_what_is_forecast_is_what_the_replay_would_have_forecast(rows: int, sighted: bool) -> None:
    history, outdoor = young(rows)
    seen_air = outdoor if sighted else None
    made = forecast(fit(history, seen_air, KNOWN), history, seen_air)
    knots = np.array(KNOTS_H) - 1
    for temperature, band in ((False, made.dew_point_c), (True, made.temperature_c)):
        replayed = track(history, seen_air, temperature=temperature, known=KNOWN)
        np.testing.assert_allclose(band.median[knots], replayed.value[-1], atol=1e-6)
    assert any("still learning this zone" in note for note in made.notes)


def test_nothing_of_the_future_is_seen_in_the_first_weeks() -> None:
    history, outdoor = young()
    changed = replace(
        history, vapour_pressure_pa=np.where(np.arange(ROWS) > 150, 900.0, history.vapour_pressure_pa)
    )
    one, other = (track(h, outdoor, temperature=False, known=KNOWN) for h in (history, changed))
    np.testing.assert_array_equal(one.value[:145], other.value[:145])
    shape = KNOWN.shape("dew_point_weather")
    half, other_half = (bands_of(found, shape).half for found in (one, other))
    day = int(day_of(ROWS)[144])
    np.testing.assert_array_equal(half[:day], other_half[:day])


def test_a_zone_is_young_by_the_hours_that_are_known_of_it() -> None:
    values = np.full(24 * 60 + 1, np.nan)
    values[24 * 30 :] = 5.0
    found = young_mornings(values)
    assert found[: 30 + YOUNG_DAYS].all()
    assert not found[31 + YOUNG_DAYS :].any()


def test_once_it_has_had_its_days_the_rooms_known_before_are_silent() -> None:
    history, outdoor = young(24 * 40 + 1)
    found = track(history, outdoor, temperature=True, known=KNOWN)
    assert found.rooms == ()
    assert found.share.shape == (1 + len(BASELINES), len(KNOTS_H))
    assert set(np.unique(found.share)) <= {0.0, 1.0}


def test_before_it_has_errors_the_band_follows_the_zones_own_spread() -> None:
    history, outdoor = young(24 * 3 + 1)
    calm = replace(
        history,
        temperature_c=history.temperature_c.mean()
        + 0.1 * (history.temperature_c - history.temperature_c.mean()),
    )
    shape = KNOWN.shape("temperature_weather")
    wide, narrow = (
        bands_of(track(h, outdoor, temperature=True, known=KNOWN), shape).half[-1] for h in (history, calm)
    )
    ratio = wide / narrow
    assert (ratio > 4.0).all(), ratio
    assert np.isfinite(narrow).all()


def test_a_young_zone_learns_from_a_sibling_that_answers_alike() -> None:
    """Both are a dehumidified room of odd habits; the young one has five days, its sibling two months."""
    rows, late = 24 * 62 + 1, 24 * 57
    outdoor = weather(rows + 48, 5)
    habits = {"exchange_h": 0.05, "lag_h": 60.0, "heat_to_c": 15.0, "gain_pa_h": 25.0}
    old = room(outdoor, rows, zone="old", **habits)
    new = room(outdoor, rows, zone="new", **habits)
    shown = np.arange(rows) >= late
    new = replace(
        new,
        temperature_c=np.where(shown, new.temperature_c, np.nan),
        vapour_pressure_pa=np.where(shown, new.vapour_pressure_pa, np.nan),
    )
    histories = {"old": old, "new": new}
    assert known_to("old", histories, outdoor, KNOWN).rooms == ()  # its first weeks are long past
    told = known_to("new", histories, outdoor, KNOWN)
    assert [one.name for one in told.rooms[len(KNOWN.rooms) :]] == ["old"]
    assert room_of(new, outdoor, KNOWN) is None
    alone, beside = (track(new, outdoor, temperature=False, known=one) for one in (KNOWN, told))
    k = [KNOTS_H.index(h) for h in (6, 12, 24)]
    own, with_sibling = (np.nanmean(np.abs(found.error[late + 48 :, k])) for found in (alone, beside))
    assert with_sibling <= own * 1.02


@needs_open_data
def test_from_the_third_day_on_no_plain_rule_is_better_in_a_building_never_seen() -> None:
    """Five rooms of a house, with what was learnt from other buildings only; forecasts as wrong as usual."""
    records = seen(list(open_rooms().values()), "typical")
    others = [one for one in records if building(one.name) != "house"]
    known = RoomsKnown(learn_rooms(others), KNOWN.error_shape)
    own: list[FloatArray] = []
    plain: list[FloatArray] = []
    held: list[FloatArray] = []
    for record in [one for one in records if building(one.name) == "house"][::2]:
        for history, outdoor in first_weeks(record, sighted=True)[::2]:
            for temperature in (False, True):
                found = track(history, outdoor, temperature=temperature, known=known)
                _gather(found, known, temperature, own, plain, held)
    ratio = np.mean(own, axis=0) / np.mean(plain, axis=0).min(axis=0)
    assert (ratio <= 1.02).all(), ratio
    assert np.mean(held) == pytest.approx(0.8, abs=0.06)


def _gather(
    found: Track,
    known: RoomsKnown,
    temperature: bool,
    own: list[FloatArray],
    plain: list[FloatArray],
    held: list[FloatArray],
) -> None:
    """Mean errors at 6, 12 and 24 h over days 3 to 24, ours and the baselines', over what the zone moves."""
    k, rows = [KNOTS_H.index(h) for h in (6, 12, 24)], slice(3 * 24, FIRST_H)
    usual = np.nanmean(found.moved[:, k])
    shape = known.shape(quantity_name(temperature=temperature, sighted=True))
    half = bands_of(found, shape).half[day_of(found.now.size)][rows][:, k]
    error = np.abs(found.error[rows][:, k])
    own.append(np.nanmean(error, axis=0) / usual)
    plain.append(np.nanmean(np.abs(found.baseline - found.target)[:, rows][:, :, k], axis=1) / usual)
    held.append((error <= half)[np.isfinite(error)])
    held[-1] = np.array([held[-1].mean()])


def test_the_inputs_of_rooms_known_before_need_one_day_only() -> None:
    history, outdoor = young(24 * 2 + 1)
    found = track(history, outdoor, temperature=True, known=KNOWN)
    assert "week ago" not in SIGHTED
    assert np.isfinite(found.value[30]).all()
