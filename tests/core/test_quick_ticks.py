"""The quick ways through a tick against the slow ones: the same events and the same state at the end."""

from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.alarms import lifecycle
from monitor.core import arrival
from monitor.core.state import Arrived, CoreState, Tick, as_stored
from monitor.core.step import Shop, first_state, step
from monitor.engine.build import build_shop
from monitor.model.event import NewEvent
from monitor.model.reading import Quantity, Reading, SeriesKey, StoredReading
from monitor.sensors import health, judge
from tests.bench.replay_bench import START_S, yard
from tests.core.plain_mix import PlainMixing

SENSORS, PER_ZONE, TICK_S = 4, 2, 10.0
# What the air does, for so many half minutes: rises, and each sensor's own ways.
SPELLS = st.lists(
    st.tuples(
        st.integers(1, 60),
        st.sampled_from((-0.2, -0.02, 0.0, 0.02, 0.2)),  # K in half a minute
        st.sampled_from((-0.01, 0.0, 0.002, 0.01)),  # of humidity
        st.tuples(*[st.sampled_from(("speaks", "speaks", "speaks", "silent", "stuck", "wild"))] * SENSORS),
    ),
    min_size=1,
    max_size=6,
)
Spell = tuple[int, float, float, tuple[str, ...]]


def heard(spells: list[Spell]) -> Iterator[Reading]:
    """The readings of four sensors."""
    now_s, warm, damp = START_S, 18.0, 0.6
    for length, warmer_k, damper, ways in spells:
        for turn in range(length):
            warm, damp = min(max(warm + warmer_k, -5.0), 40.0), min(max(damp + damper, 0.2), 1.0)
            for n, way in enumerate(ways):
                at_s = now_s + n * 7.0
                flicker = 0.0 if way == "stuck" else ((turn * 7 + n * 3) % 5) * 0.1
                celsius = 90.0 if way == "wild" and turn % 2 else (20.0 if way == "stuck" else warm) + flicker
                humid = 0.5 if way == "stuck" else damp
                if way != "silent":
                    for quantity, value in (
                        (Quantity.AIR_TEMPERATURE, round(celsius, 2)),
                        (Quantity.RELATIVE_HUMIDITY, round(humid + flicker / 100.0, 4)),
                    ):
                        key = SeriesKey(f"hall-{n // PER_ZONE}", f"wall-{n}", quantity)
                        yield Reading(key, at_s, at_s, value)
            now_s += 30.0


def judged(shop: Shop, readings: list[Reading]) -> tuple[list[NewEvent], dict[str, Any]]:
    """Every event in order, and what is remembered at the end but for a vapour worked out."""
    state, events, tick_s, waiting = first_state(shop, START_S), [], START_S + TICK_S, []

    def tick(state: CoreState) -> CoreState:
        if waiting:
            state, effects = step(shop, state, Arrived(tuple(waiting)))
            events.extend(effects.events)
            waiting.clear()
        state, effects = step(shop, state, Tick(tick_s))
        events.extend(effects.events)
        return state

    for order, reading in enumerate(readings, start=1):
        while reading.arrived_s >= tick_s:
            state = tick(state)
            tick_s += TICK_S
        waiting.append(StoredReading(order, reading))
    for _ in range(3):
        state = tick(state)
        tick_s += TICK_S
    known = vars(as_stored(state))
    known["heard"] = {
        zone: ({name: one[:4] for name, one in air.heard.items()}, air.samples, air.last)
        for zone, air in state.heard.items()
    }
    return events, known


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    """Two halls with two sensors, a cylinder and a plate each."""
    return build_shop(yard(tmp_path_factory.mktemp("yard"), SENSORS, PER_ZONE, things=True))


@settings(max_examples=8)
@given(SPELLS)
def test_passing_over_what_cannot_change_gives_the_same_events_as_judging_all(
    shop: Shop, spells: list[Spell]
) -> None:
    readings = list(heard(spells))
    quickly = judged(shop, readings)
    with pytest.MonkeyPatch.context() as slow:
        slow.setattr(arrival, "still_good", lambda *_: False)
        slow.setattr(health, "still_good", lambda *_: False)
        slow.setattr(lifecycle, "_stays_as_it_is", lambda *_: False)
        slow.setattr(arrival, "plainly", lambda *_: None)
        slow.setattr(judge, "plainly", lambda *_: None)
        slow.setattr(arrival, "Mixing", PlainMixing)
        assert judged(shop, readings) == quickly


def test_the_yard_of_these_comparisons_does_raise_alarms(shop: Shop) -> None:
    ways = ("speaks", "speaks", "silent", "stuck")
    events, _ = judged(shop, list(heard([(60, 0.0, 0.01, ways), (60, -0.2, 0.0, ways)])))
    assert len({event.subject for event in events}) > 2
