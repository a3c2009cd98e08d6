"""A believed reading beyond a limit is judged at once, once between two ticks, and the same in any pieces."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core import crossing
from monitor.core.state import as_stored
from monitor.engine.build import build_shop
from monitor.engine.loop import CoreLoop
from monitor.model.event import EventKind
from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.settings.schema import Settings
from monitor.store.opener import open_ledger_for, open_series_store
from tests.bench.replay_bench import START_S, yard

TICK_S = 10.0
LIMIT_FRAC = 0.7  # of the yard's halls
STEP_S = 1.0
Moves = list[tuple[str, float, str]]


def message(sensor: int, at_s: float, celsius: float, humidity: float) -> list[Reading]:
    zone, name = f"hall-{sensor // 2}", f"wall-{sensor}"
    return [
        Reading(SeriesKey(zone, name, quantity), at_s, at_s, value)
        for quantity, value in (
            (Quantity.AIR_TEMPERATURE, celsius),
            (Quantity.RELATIVE_HUMIDITY, humidity),
        )
    ]


def at_once(shop: Settings) -> Settings:
    limits = shop.limits.model_copy(update={"on_delay_s": 0.0, "off_delay_s": 60.0})
    return shop.model_copy(update={"limits": limits})


class Watched:
    """Two halls with two sensors each, and steel in both."""

    def __init__(self, folder: Path) -> None:
        self.settings = at_once(yard(folder, 4, 2, things=True))
        self.series, self.ledger = open_series_store(self.settings), open_ledger_for(self.settings)
        self.loop = CoreLoop(build_shop(self.settings), self.series, self.ledger, START_S)

    def moves(self) -> Moves:
        events = self.ledger.events(kinds=[EventKind.ALARM_TRANSITION])
        return [(event.subject, event.time_s, str(event.body["to_state"])) for event in events]

    def hears(self, readings: list[Reading]) -> None:
        self.series.append(readings)


@contextmanager
def watched() -> Iterator[Watched]:
    with TemporaryDirectory() as folder:
        one = Watched(Path(folder))
        yield one
        one.series.close()
        one.ledger.close()


def settled(one: Watched, minutes: float = 5.0, humidity: float = 0.6) -> float:
    """Every sensor has spoken for a while; the next moment."""
    at_s = START_S + STEP_S
    readings: list[Reading] = []
    while at_s < START_S + 60.0 * minutes:
        turn = round(at_s / STEP_S)
        for n in range(4):
            noise = 0.01 * ((turn * 7 + n * 3) % 5)
            readings += message(n, at_s + 0.1 * n, 18.0 + noise, humidity + noise / 100.0)
        at_s += 20.0
    one.hears(readings)
    one.loop.advance_to(at_s)
    return (at_s // TICK_S + 1) * TICK_S + 3.0


def test_a_believed_reading_beyond_a_limit_is_judged_with_its_message_and_not_at_the_next_tick() -> None:
    with watched() as one:
        at_s = settled(one)
        one.loop.advance_to(at_s)
        one.hears(message(0, at_s, 18.0, LIMIT_FRAC + 0.01))
        one.loop.advance_to(at_s + 0.002)
        assert ("zone_humidity_high.hall-0", round(at_s + 0.001, 3)) in [move[:2] for move in one.moves()]


def test_a_message_that_arrives_with_it_is_judged_with_it() -> None:
    with watched() as one:
        at_s = settled(one)
        one.hears(message(0, at_s, 18.0, 0.71) + message(1, at_s, 18.0, 0.75))
        one.loop.advance_to(at_s + 0.002)
        assert one.loop.state.air["hall-0"].relative_humidity_frac == 0.75


def test_what_came_after_it_is_judged_after_it() -> None:
    with watched() as one:
        at_s = settled(one)
        one.hears(message(0, at_s, 18.0, 0.71) + message(1, at_s + 0.5, 18.0, 0.75))
        one.loop.advance_to(at_s + 0.6)
        (move,) = [m for m in one.moves() if m[0] == "zone_humidity_high.hall-0"]
        assert move[1] == round(at_s + 0.001, 3)
        assert one.loop.state.time_s == round(at_s + 0.001, 3)
        one.loop.advance_to(at_s + TICK_S)
        assert one.loop.state.air["hall-0"].relative_humidity_frac == 0.75


def test_a_reading_that_is_not_believed_hurries_nothing() -> None:
    with watched() as one:
        at_s = settled(one)
        one.loop.advance_to(at_s)
        before_s = one.loop.state.time_s
        one.hears(message(0, at_s, 18.0, 0.99))  # a jump, which has to hold first
        one.loop.advance_to(at_s + 1.0)
        assert one.loop.state.time_s == before_s


def test_a_condition_that_hurries_again_and_again_is_judged_ahead_once_between_two_ticks() -> None:
    with watched() as one:
        at_s = settled(one, humidity=LIMIT_FRAC - 0.005)
        at_s = (at_s // TICK_S + 1) * TICK_S + 1.0
        one.loop.advance_to(at_s)
        seen = set()
        for turn in range(6):
            humid = LIMIT_FRAC + (0.003 if turn % 2 == 0 else -0.003)
            one.hears(message(0, at_s + turn, 18.0, humid))
            one.loop.advance_to(at_s + turn + 0.5)
            seen.add(one.loop.state.time_s)
        assert len(seen - {at_s - 1.0}) == 1


def test_when_many_limits_are_crossed_at_once_the_later_ones_wait_for_the_next_tick() -> None:
    with watched() as one, pytest.MonkeyPatch.context() as patch:
        patch.setattr(crossing, "MOST_HURRIED", 1)
        at_s = settled(one)
        one.hears(message(0, at_s, 18.0, 0.71) + message(2, at_s + 1.0, 18.0, 0.71))
        one.loop.advance_to(at_s + TICK_S)
        when = {name: time_s for name, time_s, _ in one.moves() if name.startswith("zone_humidity_high")}
        assert when == {
            "zone_humidity_high.hall-0": round(at_s + 0.001, 3),
            "zone_humidity_high.hall-1": (at_s // TICK_S + 1) * TICK_S,
        }


AIRS = st.lists(
    st.tuples(
        st.integers(0, 3),
        st.sampled_from((0.0, 0.2, 1.0, 4.0, 11.0)),  # since the one before
        st.sampled_from((-0.02, 0.0, 0.01, 0.02, 0.03)),  # of humidity
        st.sampled_from((-0.3, 0.0, 0.3)),
    ),
    min_size=10,
    max_size=60,
)


@settings(max_examples=8)
@given(AIRS, st.lists(st.integers(1, 9), min_size=1, max_size=7))
def test_readings_worked_through_in_any_pieces_give_the_same_events_and_the_same_state(
    airs: list[tuple[int, float, float, float]], pieces: list[int]
) -> None:
    with watched() as whole, watched() as cut:
        at_s = settled(whole)
        assert settled(cut) == at_s
        readings, damp, warm = [], [0.6] * 4, [18.0] * 4
        for sensor, later_s, damper, warmer_k in airs:
            at_s = round(at_s + later_s, 3)
            damp[sensor] = min(max(damp[sensor] + damper, 0.3), 0.99)
            warm[sensor] += warmer_k
            readings += message(sensor, at_s, warm[sensor], round(damp[sensor], 4))
        end_s = at_s + 3 * TICK_S
        whole.hears(readings)
        whole.loop.advance_to(end_s)
        place = turn = 0
        while place < len(readings):
            some = readings[place : place + pieces[turn % len(pieces)]]
            place, turn = place + len(some), turn + 1
            cut.hears(some)
            cut.loop.advance_to(some[-1].arrived_s)
        cut.loop.advance_to(end_s)
        assert cut.moves() == whole.moves()
        known, again = (dict(vars(as_stored(one.loop.state)), store=0) for one in (whole, cut))
        assert known == again
