"""The alarms measured, against ISA-18.2 and EEMUA 191 figures as far as they are known second-hand."""

from dataclasses import asdict

import pytest

from monitor.alarms.catalogue import Priority
from monitor.alarms.figures import measure
from monitor.alarms.performance import Move, Performance, figures_from, move_from
from monitor.alarms.states import AlarmState, Trigger
from monitor.model.errors import InputError
from monitor.model.shift_span import ShiftSpan
from monitor.settings.reference import load_toml
from tests.alarms.shop import ANN, START_S, book_of, held_for, watched

FIGURES = figures_from(load_toml("alarm_performance.toml"))
DAY_S = 86_400.0
HOUR_S = 3600.0


def raised(at_s: float, name: str = "body_wet.argon-3", priority: Priority = Priority.HIGH) -> Move:
    return Move(
        START_S + at_s,
        name,
        name.split(".", maxsplit=1)[0],
        "gas-cage",
        priority,
        AlarmState.NORMAL,
        AlarmState.UNACKNOWLEDGED,
        Trigger.CONDITION_ACTIVE,
        "",
    )


def cleared(at_s: float, name: str = "body_wet.argon-3") -> Move:
    return raised(at_s, name)._replace(
        from_state=AlarmState.UNACKNOWLEDGED,
        to_state=AlarmState.RETURNED,
        trigger=Trigger.CONDITION_CLEARS,
    )


def acknowledged(at_s: float, who: str = ANN, name: str = "body_wet.argon-3") -> Move:
    return raised(at_s, name)._replace(
        from_state=AlarmState.UNACKNOWLEDGED,
        to_state=AlarmState.ACKNOWLEDGED,
        trigger=Trigger.ACKNOWLEDGE,
        who=who,
    )


def of_a_day(moves: list[Move], shifts: tuple[ShiftSpan, ...] = ()) -> Performance:
    return measure(moves, FIGURES, START_S, START_S + DAY_S, shifts)


def met(performance: Performance) -> dict[str, bool]:
    return {check.name: check.met for check in performance.checks}


def test_a_quiet_day_meets_every_figure() -> None:
    performance = of_a_day([raised(HOUR_S), acknowledged(HOUR_S + 120.0), cleared(3 * HOUR_S)])
    assert performance.count == 1
    assert all(met(performance).values())
    assert performance.suggestion == ""


def test_each_shift_is_counted_and_more_than_three_in_one_is_said() -> None:
    shifts = (
        ShiftSpan("early-1", "ferrymoor", "early", START_S, START_S + 8 * HOUR_S),
        ShiftSpan("late-1", "ferrymoor", "late", START_S + 8 * HOUR_S, START_S + 16 * HOUR_S),
    )
    moves = [raised(HOUR_S * n, f"body_wet.argon-{n}") for n in range(1, 6)] + [raised(9 * HOUR_S)]
    performance = of_a_day(moves, shifts)
    assert [n for _, n in performance.per_shift] == [5, 1]
    assert not met(performance)["per_shift"]
    grouped = measure(moves, FIGURES, START_S, START_S + DAY_S, shifts, [START_S + HOUR_S + 180.0])
    assert [n for _, n in grouped.per_shift] == [1, 0]
    assert met(grouped)["per_shift"]


def test_eleven_in_ten_minutes_is_a_flood_and_ten_is_not() -> None:
    ten = [raised(3000.0 + 50.0 * n, f"body_wet.argon-{n}") for n in range(10)]
    assert of_a_day(ten).floods == ()
    eleven = [*ten, raised(3540.0, "body_wet.argon-10")]
    performance = of_a_day(eleven)
    assert [(f.start_s - START_S, f.times) for f in performance.floods] == [(3000.0, 11)]
    assert performance.worst_10_min == 11
    assert performance.flood_share == pytest.approx(1.0 / 144.0)
    assert not met(performance)["flood"]


def test_what_stands_for_over_a_day_is_stale_even_if_it_began_before() -> None:
    performance = of_a_day([raised(-2 * HOUR_S)])
    assert [(s.condition_id, s.standing_s) for s in performance.stale] == [
        ("body_wet.argon-3", DAY_S + 2 * HOUR_S)
    ]
    assert "stood for 26 h" in performance.suggestion
    assert of_a_day([raised(2 * HOUR_S)]).stale == ()


def test_the_warning_of_a_shift_two_days_ahead_is_not_stale() -> None:
    ahead = raised(-20 * HOUR_S, "humid_shift_ahead.yard:early:2026-09-09T06:00")
    performance = of_a_day([ahead])
    assert (performance.stale, performance.suggestion) == ((), "")


def test_three_cycles_in_a_minute_are_chattering() -> None:
    moves = [move for n in range(3) for move in (raised(100.0 + 20.0 * n), cleared(110.0 + 20.0 * n))]
    performance = of_a_day(moves)
    assert performance.chattering == (("body_wet.argon-3", 3),)
    assert not met(performance)["chattering"]
    assert "lengthen its off-delay" in performance.suggestion
    assert of_a_day(moves[:4]).chattering == ()


def test_the_worst_offender_gets_a_suggestion_that_fits_it() -> None:
    fleeting = [
        move
        for n in range(10)
        for move in (
            raised(HOUR_S * n),
            acknowledged(HOUR_S * n + 60.0),
            cleared(HOUR_S * n + 300.0),
        )
    ]
    assert "lengthen its on-delay" in of_a_day(fleeting).suggestion
    unheeded = [m for n in range(10) for m in (raised(HOUR_S * n), cleared(HOUR_S * n + 1800.0))]
    assert "nobody answered it" in of_a_day(unheeded).suggestion
    performance = of_a_day(unheeded)
    assert performance.most_frequent[0][:3] == ("body_wet.argon-3", 10, 1.0)


def test_a_condition_that_came_once_or_twice_is_chance_and_gets_no_suggestion() -> None:
    several = [raised(HOUR_S * n)._replace(condition_id=f"body_wet.argon-{n // 2}") for n in range(10)]
    performance = of_a_day(several)
    assert performance.most_frequent[0][1:3] == (2, 0.2)
    assert performance.suggestion == ""


def test_each_persons_answers_are_counted_with_how_long_they_took() -> None:
    moves = [
        raised(0.0),
        acknowledged(60.0),
        raised(HOUR_S),
        acknowledged(HOUR_S + 180.0),
        raised(2 * HOUR_S),
        acknowledged(2 * HOUR_S + 600.0, "ben"),
        raised(3 * HOUR_S),
    ]
    performance = of_a_day(moves)
    assert [tuple(a) for a in performance.answerers] == [(ANN, 2, 120.0), ("ben", 1, 600.0)]
    assert performance.unanswered == 1


def test_nothing_at_all_is_measured_as_nothing() -> None:
    performance = of_a_day([])
    assert (performance.count, performance.worst_10_min, performance.unanswered) == (0, 0, 0)
    assert all(met(performance).values())


def test_a_move_reads_the_same_from_the_alarm_and_from_its_record() -> None:
    _, (transition,) = held_for(book_of(watched()), watched().id, 2.0, 600.0)
    record = {k: str(v) if isinstance(v, str) else v for k, v in asdict(transition).items()}
    assert move_from(record) == Move(*(getattr(transition, name) for name in Move._fields))


def test_every_figure_says_where_it_comes_from() -> None:
    assert FIGURES["flood"].value == 10
    for figure in FIGURES.values():
        assert figure.status in {"published", "common practice", "from memory"}
        assert figure.source
    with pytest.raises(InputError, match=r"figures.flood: found nothing"):
        figures_from({"figures": {k: asdict(v) for k, v in FIGURES.items() if k != "flood"}})
