"""When the phone rings: once, at a waking hour, in time; scored by the usual forecast verification table."""

from dataclasses import replace
from datetime import datetime, time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.errors import InputError
from monitor.model.level import Level
from monitor.outlook.shift_outlook import ShiftOutlook
from monitor.outlook.telling import telling_from
from monitor.outlook.warning import (
    Decision,
    WarningMemory,
    WarningOutcome,
    WarningRules,
    act_by_s,
    decide,
    score,
    tally,
    told_beside,
)
from tests.outlook.ahead import LONDON, SHIFT, START_S, TELLING, shared

H = 3600.0
RULES = WarningRules(min_lead_s=4 * H, probability=0.5, zone=LONDON, telling=TELLING)


def outlook(
    probability: float | None, level: Level = Level.CAUTION, worst_s: float = START_S + H
) -> ShiftOutlook:
    return ShiftOutlook(SHIFT, level, probability, 0.0, worst_s, "because", (), ())


def test_a_likely_humid_shift_is_told_once_on_the_evening_before() -> None:
    memory, told = WarningMemory(), []
    for hour in range(-40, 1):
        memory, decisions = decide([outlook(0.7)], memory, START_S + hour * H, RULES)
        told += [(hour, d.kind) for d in decisions]
    assert told == [(-12, Decision.WARN)]  # 18:00, three hours before the last good moment, 21:00


def test_one_that_is_nearly_sure_is_told_at_once() -> None:
    _, decisions = decide([outlook(0.95)], WarningMemory(), START_S - 40 * H, RULES)
    assert [d.kind for d in decisions] == [Decision.WARN]


def test_a_shift_that_was_named_with_its_spell_is_scored_as_warned_of_and_not_told_again() -> None:
    told_s = {SHIFT.id: START_S - 40 * H}
    memory = told_beside(WarningMemory(), [outlook(0.6)], told_s)
    _, decisions = decide([outlook(0.9)], memory, START_S - 12 * H, RULES)
    assert decisions == ()
    assert score(memory, SHIFT, humid=False).scores[0].outcome is WarningOutcome.FALSE_ALARM
    assert score(memory, SHIFT, humid=True).scores[0].lead_s == 40 * H
    cancelled, decisions = decide([outlook(0.1)], memory, START_S - 12 * H, RULES)
    assert [d.kind for d in decisions] == [Decision.CANCEL]
    assert told_beside(cancelled, [outlook(0.1)], told_s) == cancelled  # what was taken back stays so


@pytest.mark.parametrize("hour", [-8, -7, -3, -1, 1])
def test_nobody_is_woken_and_nobody_told_when_it_is_too_late(hour: int) -> None:
    _, decisions = decide([outlook(0.95)], WarningMemory(), START_S + hour * H, RULES)
    assert decisions == ()


def test_a_shift_after_noon_is_told_in_the_morning() -> None:
    late = SHIFT._replace(start_s=START_S + 8 * H, end_s=START_S + 16 * H)
    assert act_by_s(late, RULES, None) == late.start_s - 4 * H
    asked = replace(outlook(0.6), shift=late)
    _, decisions = decide([asked], WarningMemory(), START_S + 1 * H, RULES)
    assert [d.kind for d in decisions] == [Decision.WARN]


def test_the_first_deadline_of_the_plan_brings_the_warning_forward() -> None:
    deadline = {SHIFT.id: START_S - 14 * H}
    _, early = decide([outlook(0.6)], WarningMemory(), START_S - 17 * H, RULES, deadline)
    _, without = decide([outlook(0.6)], WarningMemory(), START_S - 17 * H, RULES)
    assert [d.kind for d in early] == [Decision.WARN]
    assert without == ()


def test_it_is_updated_only_when_it_turns_worse_or_comes_sooner() -> None:
    memory, _ = decide([outlook(0.95, worst_s=START_S + 6 * H)], WarningMemory(), START_S - 20 * H, RULES)
    memory, same = decide([outlook(0.8, worst_s=START_S + 5 * H)], memory, START_S - 19 * H, RULES)
    memory, sooner = decide([outlook(0.8, worst_s=START_S)], memory, START_S - 18 * H, RULES)
    memory, worse = decide([outlook(0.8, Level.DANGER, START_S)], memory, START_S - 17 * H, RULES)
    _, again = decide([outlook(0.9, Level.DANGER, START_S)], memory, START_S - 16 * H, RULES)
    assert [len(d) for d in (same, sooner, worse, again)] == [0, 1, 1, 0]
    assert sooner[0].kind is worse[0].kind is Decision.UPDATE
    assert sooner[0].key != worse[0].key


def test_it_is_cancelled_when_it_no_longer_holds_and_not_for_a_flicker() -> None:
    memory, _ = decide([outlook(0.95)], WarningMemory(), START_S - 20 * H, RULES)
    memory, flicker = decide([outlook(0.4)], memory, START_S - 19 * H, RULES)
    memory, gone = decide([outlook(0.1)], memory, START_S - 18 * H, RULES)
    assert flicker == ()
    assert [d.kind for d in gone] == [Decision.CANCEL]
    memory, back = decide([outlook(0.9)], memory, START_S - 12 * H, RULES)
    assert [d.kind for d in back] == [Decision.WARN]
    assert back[0].key != f"{SHIFT.id}/warn/1"


def test_what_cannot_be_told_is_not_warned_of() -> None:
    _, decisions = decide([outlook(None, Level.UNKNOWN)], WarningMemory(), START_S - 12 * H, RULES)
    assert decisions == ()


def test_scores_follow_the_contingency_table_and_count_a_cancelled_warning_as_none() -> None:
    warned, _ = decide([outlook(0.95)], WarningMemory(), START_S - 12 * H, RULES)
    cancelled, _ = decide([outlook(0.0)], warned, START_S - 11 * H, RULES)
    cases = {
        WarningOutcome.HIT: (warned, True),
        WarningOutcome.FALSE_ALARM: (warned, False),
        WarningOutcome.MISS: (cancelled, True),
        WarningOutcome.QUIET: (WarningMemory(), False),
    }
    for outcome, (memory, humid) in cases.items():
        done = score(memory, SHIFT, humid)
        assert done.scores[-1].outcome is outcome
        assert score(done, SHIFT, not humid) is done
    assert score(warned, SHIFT, True).scores[-1].lead_s == 12 * H


def test_the_tally_is_hits_over_humid_shifts_and_false_alarms_over_warnings() -> None:
    warned, _ = decide([outlook(0.95)], WarningMemory(), START_S - 12 * H, RULES)
    scores = [
        score(warned, SHIFT, True).scores[0],
        score(warned, SHIFT, True).scores[0],
        score(warned, SHIFT, False).scores[0],
        score(WarningMemory(), SHIFT, True).scores[0],
        score(WarningMemory(), SHIFT, False).scores[0],
    ]
    found = tally(scores)
    assert found.hit_rate_frac == pytest.approx(2 / 3)
    assert found.false_alarm_frac == pytest.approx(1 / 3)
    assert found.mean_lead_h == pytest.approx(12.0)
    assert tally([]).hit_rate_frac is None


@given(st.lists(st.floats(0.0, 1.0), min_size=48, max_size=48))
def test_whatever_the_odds_do_the_phone_rings_at_waking_hours_and_seldom(odds: list[float]) -> None:
    memory, heard = WarningMemory(), []
    for hour, probability in zip(range(-48, 0), odds, strict=True):
        now_s = START_S + hour * H
        memory, decisions = decide([outlook(probability)], memory, now_s, RULES)
        heard += [(now_s, d) for d in decisions]
    assert len({d.key for _, d in heard}) == len(heard)
    assert sum(d.kind is Decision.WARN for _, d in heard) <= 2
    assert len(heard) <= 6
    for now_s, _ in heard:
        assert time(6) <= datetime.fromtimestamp(now_s, LONDON).time() <= time(21)


def test_a_number_of_telling_without_its_provenance_is_refused() -> None:
    data: dict[str, dict[str, dict[str, object]]] = shared("outlook.toml")  # type: ignore[assignment]
    assert telling_from(data) == TELLING
    del data["telling"]["sure_frac"]["source"]
    del data["telling"]["wait_h"]
    data["telling"]["rising_k"]["unit"] = "degF"
    with pytest.raises(InputError) as refused:
        telling_from(data)
    assert {fault.field for fault in refused.value.faults} == {
        "telling.sure_frac.source",
        "telling.wait_h",
        "telling.rising_k.unit",
    }
