"""Odds moved by a site's own record; a season's warnings counted by hand."""

from datetime import time

import numpy as np
import pytest

from monitor.model.level import Level
from monitor.model.shift_span import ShiftSpan
from monitor.outlook.odds_record import AS_SAID, Calibration, calibration_of
from monitor.outlook.season import OddsSaid, SeasonResult
from monitor.outlook.shift_outlook import ShiftOutlook, calibrated
from monitor.outlook.warning import (
    Score,
    WarningMemory,
    WarningOutcome,
    WarningRules,
    heard,
    record_of,
    score,
)
from monitor.outlook.warning_skill import skill_lines, warning_skill
from tests.outlook.ahead import LONDON, SHIFT, TELLING


def overstated(count: int = 200, seed: int = 1) -> list[tuple[float, bool]]:
    """Said evenly between 0 and 1; what is said to come in eight of ten comes in five."""
    rng = np.random.default_rng(seed)
    said = rng.uniform(0.02, 0.98, count)
    log_odds = np.log(said / (1.0 - said)) - 1.4
    return [
        (float(s), bool(c))
        for s, c in zip(said, rng.uniform(size=count) < 1 / (1 + np.exp(-log_odds)), strict=True)
    ]


def test_overstated_odds_are_moved_towards_what_came() -> None:
    found = calibration_of(overstated())
    assert 0.5 < found.of(0.8) < 0.7  # 0.5 would be all of it: some shifts' worth speaks for what was said
    assert calibration_of(overstated(4000)).of(0.8) == pytest.approx(0.5, abs=0.03)
    assert all(np.diff([found.of(p) for p in np.linspace(0.0, 1.0, 21)]) >= 0.0)


def test_odds_that_are_right_stay_as_they_are() -> None:
    rng = np.random.default_rng(2)
    said = rng.uniform(0.02, 0.98, 200)
    record = [(float(s), bool(c)) for s, c in zip(said, rng.uniform(size=200) < said, strict=True)]
    found = calibration_of(record)
    assert [found.of(p) for p in (0.2, 0.5, 0.8)] == pytest.approx([0.2, 0.5, 0.8], abs=0.08)


@pytest.mark.parametrize("record", [[], overstated(39)], ids=["none", "few"])
def test_a_thin_record_moves_nothing(record: list[tuple[float, bool]]) -> None:
    assert calibration_of(record) == AS_SAID
    assert [AS_SAID.of(p) for p in (0.0, 0.3, 1.0)] == [0.0, 0.3, 1.0]


def test_odds_of_what_hardly_ever_comes_are_moved_too() -> None:
    """Said 90 % again and again and never come, they stood while ten humid shifts were asked for."""
    never = calibration_of([(0.9, False)] * 200)
    assert never.of(0.9) < 0.2
    rare = calibration_of([(0.6, False)] * 100 + [(0.6, True)] * 5 + [(0.05, False)] * 95)
    assert rare.of(0.6) < 0.35
    quiet = calibration_of([(0.02, False)] * 200)
    assert 0.1 < quiet.of(0.2) < 0.2  # where nothing was said, hardly anything is learnt


def outlook(odds: float, level: Level) -> ShiftOutlook:
    return ShiftOutlook(SHIFT, level, odds, 0.0, None, "why", (), ())


def test_a_record_raises_a_level_and_never_lowers_it() -> None:
    down, up = Calibration(-3.0, 1.0), Calibration(3.0, 1.0)
    (lower,) = calibrated([outlook(0.3, Level.CAUTION)], down, TELLING, 0.2)
    assert (lower.level, lower.courses_frac) == (Level.CAUTION, 0.3)
    assert lower.probability_frac is not None
    assert lower.probability_frac < 0.05
    (higher,) = calibrated([outlook(0.05, Level.SAFE)], up, TELLING, 0.2)
    assert higher.level is Level.CAUTION


def test_the_record_is_what_was_said_in_time_to_act_and_what_came() -> None:
    rules = WarningRules(zone=LONDON, telling=TELLING, min_lead_s=8 * 3600.0)
    memory = WarningMemory()
    for hours_before, odds in ((30.0, 0.1), (9.0, 0.4), (7.0, 0.9)):
        said = calibrated([outlook(odds, Level.CAUTION)], Calibration(1.0, 1.0), TELLING, 0.2)
        memory = heard(memory, said, SHIFT.start_s - hours_before * 3600.0, rules)
    memory = score(memory, SHIFT, humid=True)
    assert record_of(memory, SHIFT.site) == [(0.4, True)]  # as the courses had it, not as the record moved it
    assert record_of(memory, "elsewhere") == []
    assert memory.said == {}


def span(n: int) -> ShiftSpan:
    start_s = SHIFT.start_s + n * 8 * 3600.0
    return ShiftSpan(f"s{n}", "yard", "x", start_s, start_s + 8 * 3600.0)


def test_a_season_is_counted_beside_the_rule_of_the_last_finished_shift() -> None:
    """Shifts follow each other; 9 h before one, the third before it is the last that is over."""
    outcome = {
        "h": WarningOutcome.HIT,
        "m": WarningOutcome.MISS,
        "f": WarningOutcome.FALSE_ALARM,
        "q": WarningOutcome.QUIET,
    }
    scores = tuple(
        Score(span(n), outcome[kind], 9 * 3600.0 if kind in "hf" else None, withdrawn=kind == "m")
        for n, kind in enumerate("qhhmqqfq")
    )
    said = tuple(OddsSaid(one.shift, 0.5, one.humid, 0.75) for one in scores)
    rules = WarningRules(
        zone=LONDON, telling=TELLING, min_lead_s=9 * 3600.0, not_before=time(0), not_after=time(23, 59)
    )
    found = warning_skill(SeasonResult({0.2: scores}, said), 0.2, rules)
    assert (found.ours.humid, found.ours.hits, found.ours.warned) == (3, 2, 3)
    assert (found.onsets.humid, found.onsets.hits, found.onsets.warned) == (1, 1, 2)
    assert (found.continued.humid, found.continued.hits) == (2, 1)
    assert (found.last_finished.hits, found.last_finished.warned) == (0, 3)  # told of shifts 4, 5 and 6
    assert (found.withdrawn, found.withdrawn_humid) == (1, 1)
    assert (found.brier, found.brier_courses) == (0.25, pytest.approx((3 * 0.0625 + 5 * 0.5625) / 8))
    assert "3" in skill_lines(found)[2]
