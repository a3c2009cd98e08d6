"""The life cycle against its written model (`alarm_states.toml`; terms of ISA-18.2 / IEC 62682)."""

from collections import deque
from collections.abc import Callable
from dataclasses import replace

import msgspec
import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from monitor.alarms.commands import allowed, operate
from monitor.alarms.conditions import Condition, Observation
from monitor.alarms.lifecycle import with_conditions
from monitor.alarms.states import (
    AlarmBook,
    AlarmState,
    Command,
    CommandKind,
    CommandRefusedError,
    Transition,
    Trigger,
)
from monitor.settings.reference import load_toml
from tests.alarms.shop import ANN, advance, book_of, watched
from tests.alarms.written_model import Move, legal_moves

LEGAL = legal_moves()
COMMAND_TRIGGER = {
    CommandKind.ACKNOWLEDGE: Trigger.ACKNOWLEDGE,
    CommandKind.RESET: Trigger.RESET,
    CommandKind.SHELVE: Trigger.SHELVE,
    CommandKind.UNSHELVE: Trigger.UNSHELVE,
    CommandKind.TAKE_OUT_OF_SERVICE: Trigger.TAKE_OUT_OF_SERVICE,
    CommandKind.RETURN_TO_SERVICE: Trigger.RETURN_TO_SERVICE,
}
AWAY = ("body_absent",)


def as_move(transition: Transition) -> Move:
    return transition.from_state, transition.trigger, transition.to_state


def restarted(book: AlarmBook) -> AlarmBook:
    """The book as it comes back from a checkpoint."""
    return msgspec.msgpack.decode(msgspec.msgpack.encode(book), type=AlarmBook)


def test_the_written_model_names_exactly_the_states_and_triggers_of_the_code() -> None:
    written = load_toml("alarm_states.toml")
    assert set(written["states"]) == {str(s) for s in AlarmState}
    assert set(written["triggers"]) == {str(t) for t in Trigger}


Act = Callable[[AlarmBook], tuple[AlarmBook, tuple[Transition, ...]]]


def acts(condition: Condition) -> dict[str, Act]:
    """Everything that can happen to one alarm, as acts on the book."""

    def sees(value: float, facts: tuple[str, ...] = ()) -> Act:
        def act(book: AlarmBook) -> tuple[AlarmBook, tuple[Transition, ...]]:
            moved: tuple[Transition, ...] = ()
            for _ in range(2):
                now_s = book.now_s + condition.on_delay_s + condition.off_delay_s
                book, more = advance(book, [Observation(condition.id, value, now_s, "", facts)], now_s)
                moved += more
            return book, moved

        return act

    def does(kind: CommandKind) -> Act:
        def act(book: AlarmBook) -> tuple[AlarmBook, tuple[Transition, ...]]:
            until_s = book.now_s + condition.max_shelf_s
            return operate(book, Command(kind, condition.id, ANN, "paint drying", until_s), book.now_s)

        return act

    def shelf_runs_out(book: AlarmBook) -> tuple[AlarmBook, tuple[Transition, ...]]:
        return advance(book, [], book.now_s + condition.max_shelf_s)

    def is_withdrawn(book: AlarmBook) -> tuple[AlarmBook, tuple[Transition, ...]]:
        return with_conditions(book, [], book.now_s)

    return {
        "trouble": sees(2.0),
        "worse trouble": sees(-1.0),
        "clear": sees(8.0),
        "away": sees(8.0, AWAY),
        "away in trouble": sees(2.0, AWAY),
        **{kind.value: does(kind) for kind in CommandKind},
        "shelf runs out": shelf_runs_out,
        "withdrawn": is_withdrawn,
    }


def reachable_moves(condition: Condition) -> set[Move]:
    """Every move that any sequence of acts can bring about, found by walking all of them."""
    found: set[Move] = set()
    start = book_of(condition)
    seen = set()
    queue = deque([start])
    while queue:
        book = queue.popleft()
        for act in acts(condition).values():
            try:
                after, moved = act(book)
            except CommandRefusedError:
                continue
            found |= {as_move(t) for t in moved}
            alarm = after.alarms.get(condition.id)
            if alarm is None:
                continue
            abstract = (
                alarm.state,
                alarm.active,
                alarm.held,
                alarm.out_of_play,
                alarm.value,
                alarm.answered_value,
            )
            if abstract not in seen:
                seen.add(abstract)
                queue.append(after)
    return found


def test_every_written_move_can_happen_and_no_other_can() -> None:
    plain = reachable_moves(watched())
    latching = reachable_moves(watched(latching=True))
    staying = reachable_moves(watched(stays_answered=True))
    assert plain | latching | staying == LEGAL
    assert staying - plain == {(AlarmState.SUPPRESSED, Trigger.UNSUPPRESS, AlarmState.ACKNOWLEDGED)}


class LifeCycle(RuleBasedStateMachine):
    """Any sequence of observations, silences, facts and commands, checked against the model."""

    @initialize(latching=st.booleans(), on_s=st.sampled_from([0.0, 120.0]))
    def begin(self, latching: bool, on_s: float) -> None:
        self.condition = watched(latching=latching, on_delay_s=on_s, off_delay_s=300.0)
        self.book = book_of(self.condition)
        self.history: list[tuple[float, float | None]] = []  # since trouble last came or went
        self.away = False
        self.used_keys: set[str] = set()

    @property
    def alarm(self):
        return self.book.alarms[self.condition.id]

    def take(self, book: AlarmBook, moved: tuple[Transition, ...]) -> None:
        state = self.alarm.state
        for transition in moved:
            assert as_move(transition) in LEGAL
            assert transition.from_state is state
            state = transition.to_state
        self.book = book
        assert self.alarm.state is state
        # acts within one moment would share a key: the service spaces commands by the clock
        assert len({t.key for t in moved}) == len(moved)

    @rule(
        value=st.one_of(st.none(), st.sampled_from([-2.0, 0.5, 2.0, 2.9, 3.0, 3.2, 3.5, 6.0])),
        wait_s=st.sampled_from([30.0, 60.0, 150.0, 400.0]),
    )
    def observe(self, value: float | None, wait_s: float) -> None:
        now_s = self.book.now_s + wait_s
        before = self.alarm
        facts = AWAY if self.away else ()
        self.history.append((now_s, value))
        book, moved = advance(self.book, [Observation(self.condition.id, value, now_s, "", facts)], now_s)
        self.take(book, moved)
        self.check_trouble(before.active)
        if value is None:
            assert self.alarm.active == before.active
            assert self.alarm.unknown_since_s is not None

    def check_trouble(self, was: bool) -> None:
        """Trouble comes and goes by the words of the delay and the dead-band, and only so."""
        condition = self.condition
        run: list[float] = []
        for time_s, value in reversed(self.history):
            if value is None:
                break  # nobody saw that it stayed clear, or that the trouble went on
            if condition.clear(value) if was else condition.beyond(value):
                run.append(time_s)
            else:
                break
        lasted_s = run[0] - run[-1] if run else -1.0
        last_known = self.history[-1][1] is not None
        delay_s = condition.off_delay_s if was else condition.on_delay_s
        changes = last_known and bool(run) and run[0] == self.history[-1][0] and lasted_s >= delay_s
        assert self.alarm.active == (not was if changes else was)
        if changes:
            self.history.clear()

    @rule(wait_s=st.sampled_from([30.0, 1000.0, 20_000.0]))
    def hear_nothing(self, wait_s: float) -> None:
        before = self.alarm
        if wait_s > self.condition.unknown_after_s and self.history:
            self.history.append((self.book.now_s + wait_s, None))
        book, moved = advance(self.book, [], self.book.now_s + wait_s)
        self.take(book, moved)
        assert self.alarm.active == before.active

    @rule()
    def come_or_go(self) -> None:
        self.away = not self.away

    @rule(kind=st.sampled_from(CommandKind), shelf_s=st.sampled_from([600.0, 7200.0, 43_200.0]))
    def command(self, kind: CommandKind, shelf_s: float) -> None:
        now_s = self.book.now_s + 1.0
        command = Command(kind, self.condition.id, ANN, "door is being painted", now_s + shelf_s)
        legal = any(m[:2] == (self.alarm.state, COMMAND_TRIGGER[kind]) for m in LEGAL)
        assert (kind in allowed(self.alarm)) == legal
        before = self.book
        try:
            book, moved = operate(self.book, command, now_s)
        except CommandRefusedError as refusal:
            reason = refusal.reason
            assert not legal
            assert reason
            assert self.book == before
        else:
            assert legal
            assert [t.trigger for t in moved] == [COMMAND_TRIGGER[kind]]
            self.take(replace(book, now_s=now_s), moved)

    @precondition(lambda self: hasattr(self, "book"))
    @invariant()
    def it_survives_a_restart_here(self) -> None:
        again = restarted(self.book)
        assert again == self.book
        self.book = again

    @precondition(lambda self: hasattr(self, "book"))
    @invariant()
    def a_shelf_has_an_end_and_a_reason(self) -> None:
        if self.alarm.state is AlarmState.SHELVED:
            assert self.alarm.until_s is not None
            assert self.alarm.why

    @precondition(lambda self: hasattr(self, "book"))
    @invariant()
    def its_state_says_what_is_the_case(self) -> None:
        alarm = self.alarm
        case = (alarm.active, alarm.held and not alarm.active)
        expected = {
            AlarmState.NORMAL: {(False, False)},
            AlarmState.UNACKNOWLEDGED: {(True, False)},
            AlarmState.ACKNOWLEDGED: {(True, False)},
            AlarmState.RETURNED: {(False, False)},
            AlarmState.LATCHED_UNACKNOWLEDGED: {(False, True)},
            AlarmState.LATCHED_ACKNOWLEDGED: {(False, True)},
        }
        assert case in expected.get(alarm.state, {case})
        if alarm.state is AlarmState.SUPPRESSED:
            assert alarm.out_of_play


LifeCycle.TestCase.settings = settings(
    max_examples=150, stateful_step_count=40, deadline=None, suppress_health_check=list(HealthCheck)
)
test_any_history_keeps_to_the_written_model = LifeCycle.TestCase


@pytest.mark.parametrize("state", AlarmState)
def test_a_restart_in_every_state_goes_on_as_if_nothing_had_happened(state: AlarmState) -> None:
    condition = watched(latching=True)
    found: dict[AlarmState, AlarmBook] = {}
    queue = deque([book_of(condition)])
    while state not in found:
        book = queue.popleft()
        found.setdefault(book.alarms[condition.id].state, book)
        for name, act in acts(condition).items():
            if name != "withdrawn":
                try:
                    queue.append(act(book)[0])
                except CommandRefusedError:
                    continue
    for act in acts(condition).values():
        try:
            expected = act(found[state])
        except CommandRefusedError as refusal:
            with pytest.raises(CommandRefusedError, match=refusal.reason):
                act(restarted(found[state]))
        else:
            assert act(restarted(found[state])) == expected
