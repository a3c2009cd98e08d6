"""The backtest's own arithmetic: scores by hand, odds that are calibrated, a season that is scored right."""

from datetime import time

import numpy as np
import pytest

from monitor.outlook.backtest import (
    BASELINES,
    Recording,
    Replay,
    backtest,
    baseline_table,
    error_table,
    event_table,
    replay,
    score_rows,
)
from monitor.outlook.experts import KNOTS_H
from monitor.outlook.scene import PlanPhrases, Scene, ZoneAhead
from monitor.outlook.season import Season, replay_season, replayed_forecast
from monitor.outlook.shifts import ShiftPlan, WeeklyShift
from monitor.outlook.warning import WarningRules, tally
from monitor.physics.placed_body import BodyFacts
from tests.outlook.ahead import LONDON, TELLING, plate
from tests.outlook.air import room, weather

ROWS = 24 * 70


@pytest.fixture(scope="module")
def replayed() -> Replay:
    outdoor = weather(ROWS)
    bay = room(outdoor, ROWS, exchange_h=0.8, lag_h=10.0, gain_pa_h=40.0, zone="bay")
    return replay(Recording("bay", bay, outdoor, 0.8))


def test_scores_are_mean_absolute_errors_on_the_same_hours(replayed: Replay) -> None:
    scored = score_rows(replayed, "part", 24 * 30, 24 * 50)
    k = KNOTS_H.index(12)
    rows = slice(24 * 30, 24 * 50)
    expected = np.nanmean(np.abs(replayed.dew_point.error[rows, k]))
    persistence = np.nanmean(np.abs(replayed.dew_point.baseline[0] - replayed.dew_point.target)[rows, k])
    score = next(s for s in scored.dew_point if s.horizon_h == 12)
    assert score.own == pytest.approx(expected)
    assert score.baseline[0] == pytest.approx(persistence)
    assert len(score.baseline) == len(BASELINES) == 4
    assert score.over_persistence == pytest.approx(expected / persistence)
    assert score.hours == 24 * 20


def test_the_two_parts_never_share_an_origin() -> None:
    outdoor = weather(ROWS)
    bay = room(outdoor, ROWS, exchange_h=0.8, lag_h=10.0, zone="bay")
    heard: list[str] = []
    found = backtest([Recording("bay", bay, outdoor, tuned_on=True)], heard.append)
    assert heard == ["bay"]
    weeks, first, last, _ = found
    assert [one.part for one in found] == ["first weeks", "tuned on", "untouched", "whole"]
    assert weeks.dew_point[0].hours == 21 * 24
    rows = first.dew_point[0].hours + last.dew_point[0].hours
    assert rows == ROWS - 24 * 24 - 3  # all origins after settling whose target at 3 h is known
    other = backtest([Recording("bay", bay, outdoor)], heard.append)
    assert [one.part for one in other] == ["first weeks", "whole"]  # nothing was chosen on it
    for lines in (
        error_table(found),
        error_table(found, "humidity"),
        baseline_table(found),
        event_table(found),
    ):
        assert len(lines) > 2
        assert all("nan" not in line for line in lines)


def test_odds_are_calibrated_and_better_than_the_base_rate(replayed: Replay) -> None:
    scored = score_rows(replayed, "all", 24 * 30, ROWS)
    for event in scored.events:
        assert 0.02 < event.base_rate_frac < 0.98
        assert event.skill > 0.3
        said, came, hours = (np.array(column) for column in zip(*event.reliability, strict=True))
        assert (np.abs(said - came) * hours).sum() / hours.sum() < 0.1
        assert event.brier_climate == pytest.approx(event.base_rate_frac * (1 - event.base_rate_frac))


def test_a_replayed_hour_gives_the_forecast_of_that_hour(replayed: Replay) -> None:
    made = replayed_forecast(replayed, 1000)
    assert made is not None
    knots = np.array(KNOTS_H) - 1
    np.testing.assert_allclose(made.dew_point_c.median[knots], replayed.dew_point.value[1000], atol=1e-9)
    assert made.dew_point_samples_c.shape == (60, 48)


def test_a_season_of_warnings_finds_most_humid_shifts_with_time_to_act(replayed: Replay) -> None:
    zones = {"bay": ZoneAhead("bay", "Slip Bay", "ferrymoor", "bay", limit_humidity_frac=0.9)}
    scene = Scene("ferrymoor", PlanPhrases(LONDON), zones, TELLING, margin_k=3.0, warn_frac=0.2)
    days = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
    plan = ShiftPlan(
        (
            WeeklyShift(
                site="ferrymoor",
                name="Early",
                days=days,
                start=time(6),
                end=time(14),
                zone=LONDON,
            ),
        )
    )
    rules = WarningRules(min_lead_s=8 * 3600.0, probability=0.2, zone=LONDON, telling=TELLING)
    steel = BodyFacts("plate", "Plate", "plate", "bay", plate())
    scores = replay_season(Season(scene, {"bay": replayed}, (steel,), plan, rules, (0.2,))).scores[0.2]
    found = tally(scores)
    assert found.hits + found.misses >= 5
    assert found.hit_rate_frac is not None
    assert found.hit_rate_frac > 0.8
    assert all(s.lead_s >= 8 * 3600.0 for s in scores if s.lead_s is not None)
    assert len({s.shift.id for s in scores}) == len(scores)
