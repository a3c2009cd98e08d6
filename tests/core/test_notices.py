"""Which waiting message is about something that is over."""

from dataclasses import dataclass, replace

import pytest

from monitor.alarms.states import Alarm, AlarmBook, AlarmState
from monitor.core.notices import is_over
from monitor.core.state import CoreState
from monitor.model.notification import Notification

NOW_S = 1_760_000_000.0
NOTE = Notification(
    "k",
    NOW_S,
    NOW_S + 7200.0,
    "high",
    "Wet",
    "Wet.",
    "warning:a",
    "bay",
    NOW_S,
    "",
    {"conditions": ["a", "b"]},
)


@dataclass
class Known:
    """As much of the core's state as is asked."""

    time_s: float
    book: AlarmBook


def known(*states: AlarmState, time_s: float = NOW_S + 10.0) -> CoreState:
    alarms = {name: Alarm(name, state, NOW_S) for name, state in zip("ab", states, strict=False)}
    return Known(time_s, AlarmBook(time_s, {}, alarms))  # type: ignore[return-value]


STANDS = (
    AlarmState.UNACKNOWLEDGED,
    AlarmState.ACKNOWLEDGED,
    AlarmState.LATCHED_UNACKNOWLEDGED,
    AlarmState.LATCHED_ACKNOWLEDGED,
)


@pytest.mark.parametrize("state", list(AlarmState))
def test_a_warning_is_over_when_nothing_of_it_stands_or_waits_for_a_judgement(state: AlarmState) -> None:
    assert is_over(known(AlarmState.NORMAL, state), NOTE) is (state not in STANDS)


def test_a_message_as_fresh_as_the_state_an_all_clear_and_what_is_about_no_alarm_are_sent() -> None:
    over = known(AlarmState.NORMAL, AlarmState.RETURNED)
    assert is_over(over, NOTE)
    assert not is_over(known(time_s=NOW_S), NOTE)
    assert not is_over(over, replace(NOTE, data={**NOTE.data, "why": "cleared"}))
    assert not is_over(over, replace(NOTE, data={"why": "digest"}))
