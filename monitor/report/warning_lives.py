"""The life of every warning: when it was given, who answered it, and when it was over."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from monitor.alarms.states import SET_ASIDE, STANDING, UNANSWERED, AlarmState
from monitor.model.event import Event, EventKind
from monitor.report.condition_words import AlarmWords
from monitor.store.contract import Ledger

OVER = frozenset(
    {
        AlarmState.NORMAL,
        AlarmState.RETURNED,
        AlarmState.LATCHED_UNACKNOWLEDGED,
        AlarmState.LATCHED_ACKNOWLEDGED,
    }
)


@dataclass(frozen=True, slots=True)
class WarningLife:
    """One warning; None where it was not answered, or is not over, by the end of the stretch."""

    kind: str
    title: str
    zone: str
    priority: str
    given_s: float
    answered_s: float | None = None
    answered_by: str = ""
    over_s: float | None = None
    set_aside: str = ""  # how a person or the shop's settings took it off before it was over


def is_raised(event: Event) -> bool:
    """Whether a transition is the moment a warning was given."""
    unseen = AlarmState.UNACKNOWLEDGED
    return event.body.get("to_state") == unseen and event.body.get("from_state") not in UNANSWERED


def warning_lives(
    ledger: Ledger, words: AlarmWords, between_s: tuple[float, float], zones: Iterable[str] | None = None
) -> list[WarningLife]:
    """The warnings given in a stretch of time, in order, in these zones (None: anywhere)."""
    start_s, end_s = between_s
    events = ledger.events(kinds=(EventKind.ALARM_TRANSITION,), start_s=start_s, end_s=end_s)
    wanted = None if zones is None else {*zones, ""}
    return lives_of(
        (one for one in events if wanted is None or str(one.body.get("zone", "")) in wanted), words
    )


def lives_of(events: Iterable[Event], words: AlarmWords) -> list[WarningLife]:
    """The same from the moves themselves."""
    open_: dict[str, list[int]] = {}  # one that grows worse is given again: both are over together
    found: list[WarningLife] = []
    for event in sorted(events, key=lambda event: (event.time_s, event.number)):
        if is_raised(event):
            standing = [n for n in open_.get(event.subject, []) if found[n].over_s is None]
            open_[event.subject] = [*standing, len(found)]
            body = event.body
            kind = event.subject.partition(".")[0]
            zone, priority = str(body.get("zone", "")), str(body.get("priority", ""))
            found.append(WarningLife(kind, words.title(event), zone, priority, event.time_s))
        for n in open_.get(event.subject, ()):
            found[n] = _moved(found[n], event)
    return found


def _moved(life: WarningLife, event: Event) -> WarningLife:
    state = event.body.get("to_state")
    if life.answered_s is None and event.body.get("trigger") == "acknowledge":
        life = replace(life, answered_s=event.time_s, answered_by=event.who)
    if state in STANDING:
        return replace(life, over_s=None, set_aside="")
    if life.over_s is None and state in OVER:
        life = replace(life, over_s=event.time_s)
    if life.over_s is None and state in SET_ASIDE:
        life = replace(life, over_s=event.time_s, set_aside=str(state).replace("_", " "))
    return life


@dataclass(frozen=True, slots=True)
class WarningDay:
    """Warnings of one kind in one place on one day, as one line."""

    lives: tuple[WarningLife, ...]

    @property
    def first(self) -> WarningLife:
        """The first of them, which gives the line its words."""
        return self.lives[0]

    @property
    def titles(self) -> list[str]:
        """What they were about, each once, in order."""
        return list(dict.fromkeys(one.title for one in self.lives))

    @property
    def moments_s(self) -> list[float]:
        """When they were given; those of one minute are one."""
        return list(dict.fromkeys(one.given_s // 60.0 * 60.0 for one in self.lives))

    @property
    def unanswered(self) -> int:
        """How many nobody answered."""
        return sum(one.answered_s is None for one in self.lives)

    @property
    def answerers(self) -> list[str]:
        """Who answered, each once."""
        return list(dict.fromkeys(one.answered_by for one in self.lives if one.answered_by))

    @property
    def slowest_s(self) -> float | None:
        """The longest that one of them waited for its answer."""
        waits = [one.answered_s - one.given_s for one in self.lives if one.answered_s is not None]
        return max(waits, default=None)

    @property
    def over_s(self) -> float | None:
        """When the last of them was over; None while one stands."""
        ends = [one.over_s for one in self.lives]
        return None if None in ends else max(end for end in ends if end is not None)

    @property
    def set_aside(self) -> str:
        """How one of them was taken off before it was over; empty where none was."""
        return next((one.set_aside for one in self.lives if one.set_aside), "")


def by_day(lives: Sequence[WarningLife], days_s: Sequence[float]) -> list[WarningDay]:
    """One line a kind, place and day; `days_s` are the edges of the days."""
    groups: dict[tuple[int, str, str], list[WarningLife]] = {}
    for life in lives:
        day = sum(edge <= life.given_s for edge in days_s)
        groups.setdefault((day, life.kind, life.zone), []).append(life)
    made = [WarningDay(tuple(group)) for group in groups.values()]
    return sorted(made, key=lambda one: one.first.given_s)
