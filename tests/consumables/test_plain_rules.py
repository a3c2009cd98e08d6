"""The exposure clock against a second, plain implementation of the codes' rules, over random histories.

`plain_rules.py` follows the texts (AWS D1.1/D1.1M:2015 5.3.2, AWS D1.8, makers' sheets; as far as known,
see `shared/consumables.toml`) and is strict where they are open. The service may be stricter than it, never
milder; what it reads more loosely on purpose stands in `judging.KEPT`, with the reason, and the page that
shows the hours says it too. `tests/bench/strictness_bench.py` does the same with ten thousand and more.
"""

import random

import pytest

from tests.consumables import plain_rules as rules
from tests.consumables.as_served import service, verdict_of
from tests.consumables.harsher import CHANGES
from tests.consumables.judging import KEPT, KEPT_NAMES, milder, milder_than_before, readings_behind
from tests.consumables.plain_evidence import Move, Rows, Told
from tests.consumables.plain_rules import answer
from tests.consumables.plans import plain
from tests.consumables.random_histories import random_plan

H = 3600.0
HISTORIES = 1000
CHANGED = 150


def oven(*spans: tuple[float, float, float]) -> tuple[Rows, ...]:
    """A probe's readings every five minutes: (from h, to h, degC)."""
    return (tuple((h * H + n * 300.0, c) for h, to, c in spans for n in range(int((to - h) * 12) + 1)),)


def electrodes(*moves: Move, **more: object) -> Told:
    return Told("e7018", 0.0, (Move(0.0, "open-air", "bay"), *moves), **more)  # type: ignore[arg-type]


# --- the plain rules themselves, against the texts ---------------------------------------------------


def test_plainly_column_a_is_four_hours_and_over_after_that() -> None:
    # AWS D1.1/D1.1M:2015 Table 5.1, column A
    assert answer(electrodes(), 4 * H) == rules.Answer(4.0, 4.0, 0.0, rules.USABLE, 0)
    assert answer(electrodes(), 4.01 * H).standing == rules.OVER


def test_plainly_an_oven_stops_the_hours_only_between_two_readings_that_show_it_hot() -> None:
    # 5.3.2.1: at least 120 degC
    into = Move(1 * H, "holding-oven", "oven")
    hot = electrodes(into, probes={"oven": oven((1.0, 9.0, 120.0))})
    cold = electrodes(into, probes={"oven": oven((1.0, 9.0, 119.0))})
    once = electrodes(into, probes={"oven": oven((1.0, 1.0, 130.0))})
    found = [answer(told, 9 * H).hours for told in (hot, cold, once, electrodes(into))]
    assert found == pytest.approx([1.0, 9.0, 9.0, 9.0])


def test_plainly_a_bake_restarts_the_hours_once_and_only_with_its_slow_first_step() -> None:
    # 5.3.2.4 and 5.3.2.1
    into, out = Move(5 * H, "redry", "oven"), Move(9 * H, "open-air", "bay")
    proper = oven((5.0, 5.6, 100.0), (5.75, 8.9, 300.0))
    hasty = oven((5.0, 8.9, 300.0))
    assert answer(electrodes(into, out, probes={"oven": proper}), 10 * H).standing == rules.USABLE
    assert answer(electrodes(into, out, probes={"oven": hasty}), 10 * H).standing == rules.WITHDRAW
    again = Move(10 * H, "redry", "oven")
    twice = (*proper[0], *oven((10.0, 10.6, 100.0), (10.75, 13.0, 300.0))[0])
    assert answer(electrodes(into, out, again, probes={"oven": (twice,)}), 14 * H).standing == rules.WITHDRAW


def test_plainly_hours_out_add_up_over_holds_in_the_oven() -> None:
    # 5.3.2.2 read strictly
    moves = [
        Move((n * 6.0 + at) * H, place, zone)
        for n in range(3)
        for at, place, zone in ((2.0, "holding-oven", "oven"), (6.0, "open-air", "bay"))
    ]
    told = electrodes(*moves, probes={"oven": oven((0.0, 24.0, 130.0))})
    assert answer(told, 18 * H).hours == pytest.approx(6.0)
    assert answer(told, 18 * H).standing == rules.OVER


def test_plainly_a_wire_pauses_in_its_bag_while_the_desiccant_is_fresh() -> None:
    # AWS D1.8 from memory: sealed or heated storage; the desiccant's month is common practice
    moves = (Move(0.0, "open-air", "bay"), Move(10 * H, "bagged", "bay", fresh=True))
    told = Told("fcaw-folded-h8", 0.0, (*moves, Move(400 * H, "bagged", "hall")))
    assert answer(told, 730 * H).hours == pytest.approx(10.0)
    assert answer(told, 740 * H).hours == pytest.approx(20.0)


# --- the service beside them ------------------------------------------------------------------------------


def test_the_clock_is_never_milder_than_the_plain_rules_but_by_a_reading_kept_on_purpose() -> None:
    faults = []
    for seed in range(HISTORIES):
        plan = random_plan(seed)
        found = service(plan)
        kinds = milder(found, plain(plan, KEPT_NAMES))
        if kinds:
            faults.append((seed, kinds, readings_behind(found, plan)))
    assert not faults


def test_where_a_looser_reading_gave_hours_the_page_that_shows_them_names_it() -> None:
    unsaid = []
    for seed in range(HISTORIES):
        plan = random_plan(seed)
        found = service(plan)
        given = "hours" in milder(found, plain(plan))
        notes = " ".join(verdict_of(plan).notes)
        if given and not any(phrase in notes for _, phrase in KEPT.values()):
            unsaid.append((seed, readings_behind(found, plan)))
    assert not unsaid


def test_no_change_for_the_worse_makes_a_verdict_milder() -> None:
    """More exposure, fewer sensors, gaps, NaN, wetter air, a cooler oven, a shorter bake, less said, time."""
    faults = []
    for seed in range(CHANGED):
        plan = random_plan(seed)
        found = service(plan)
        for number, (name, change) in enumerate(CHANGES.items()):
            other = change(random.Random(seed * len(CHANGES) + number), plan)
            if other is None or not milder_than_before(service(other), found):
                continue
            if not milder_than_before(plain(other, KEPT_NAMES), plain(plan, KEPT_NAMES)):
                faults.append((seed, name))
    assert not faults
