"""Over random troubles and taps: what is to be told is told, and only what a page listed is answered.

The plain oracle here knows nothing of groups: it holds every trouble against the messages that were sent
after it began and against the pages that people tapped on.
"""

from dataclasses import dataclass, field

import msgspec
from hypothesis import example, given, settings
from hypothesis import strategies as st

from monitor.alarms.catalogue import RANK, Priority
from monitor.alarms.commands import operate
from monitor.alarms.conditions import Condition, Observation
from monitor.alarms.escalation import EscalationBook, Notice, NoticeTo, due_deliveries
from monitor.alarms.grouping import GroupBook, Why, regroup
from monitor.alarms.messages import LONGEST, compose_for
from monitor.alarms.roster import Roster
from monitor.alarms.states import (
    AlarmBook,
    AlarmState,
    Command,
    CommandKind,
    CommandRefusedError,
    Transition,
)
from monitor.model.staff import OnCall, Person
from tests.alarms.shop import ANN, BEN, advance, book_of, catalogue, watched, wording
from tests.alarms.test_escalation import LONDON

RULES = catalogue().grouping
WORDS = wording()
ZONES = ("slip-bay", "panel-hall", "gas-cage")
THINGS: tuple[Condition, ...] = (
    *(watched("body_wet", f"argon-{n}", ZONES[n % 3]) for n in range(5)),
    *(watched("body_margin_low", f"argon-{n}", ZONES[n % 3]) for n in range(5)),
    *(watched("package_exposure_over", f"wire-{n}", ZONES[n]) for n in range(2)),
    watched("storage_below_minimum", "oven-1", "wire-store"),
    watched("broker_away", "service", ""),
    watched("store_behind", "service", ""),
)
BAD = {"body_wet": -1.0, "body_margin_low": 1.0, "package_exposure_over": 1.2, "storage_below_minimum": 90.0}
GOOD = {"body_wet": 9.0, "body_margin_low": 9.0, "package_exposure_over": 0.1, "storage_below_minimum": 130.0}
UNANSWERED = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED})
STEP_S = 60.0
AT_MOST_S = max(
    max(RULES.place_s[p], *(RULES.again_s[f][p] for f in RULES.again_s)) for p in Priority if RANK[p]
)


def value(thing: Condition, *, bad: bool) -> float:
    return (BAD if bad else GOOD).get(thing.kind, 900.0 if bad else 0.0)


@dataclass
class Shop:
    """Conditions, groups, courses and people, minute by minute, with every message and every page."""

    book: AlarmBook = field(default_factory=lambda: book_of(*THINGS))
    groups: GroupBook = field(default_factory=GroupBook)
    courses: EscalationBook = field(default_factory=EscalationBook)
    told: list[NoticeTo] = field(default_factory=list)
    moves: list[Transition] = field(default_factory=list)
    tapped: set[str] = field(default_factory=set)  # keys of moves that a tap on a page made
    page: tuple[tuple[str, float | None], ...] = ()  # what an open page lists

    def __post_init__(self) -> None:
        people = {ANN: Person(id=ANN, name="Ann"), BEN: Person(id=BEN, name="Ben")}
        on_call = OnCall(site="ferrymoor", steps=(ANN, BEN), escalate_after_s=900.0)
        self.roster = Roster({"ferrymoor": on_call}, people, {"ferrymoor": LONDON})

    def minutes(self, count: int, bad: frozenset[int]) -> None:
        for _ in range(count):
            now_s = self.book.now_s + STEP_S
            seen = [Observation(c.id, value(c, bad=n in bad), now_s) for n, c in enumerate(THINGS)]
            self.book, moved = advance(self.book, seen, now_s)
            self.settle(moved)

    def settle(self, moved: tuple[Transition, ...]) -> None:
        now_s = self.book.now_s
        self.moves += moved
        self.groups = msgspec.msgpack.decode(msgspec.msgpack.encode(self.groups), type=GroupBook)
        self.groups, said = regroup(self.groups, moved, self.book, RULES, now_s)
        self.courses, told = due_deliveries(
            self.courses, said, self.groups, self.book.alarms, self.roster, now_s
        )
        self.told += told

    def opens_page(self, name: int) -> None:
        """As the page of a link: what of its warning waits for an answer now."""
        groups = tuple(self.groups.groups[key] for key in self.courses.courses)
        if groups:
            group = groups[name % len(groups)]
            alarms = (self.book.alarms[member.condition_id] for member in group.joined)
            self.page = tuple((a.condition_id, a.began_s) for a in alarms if a.state in UNANSWERED)

    def taps(self) -> None:
        """The form names what its page listed."""
        for name, began_s in self.page:
            command = Command(CommandKind.ACKNOWLEDGE, name, ANN, began_s=began_s)
            try:
                self.book, moved = operate(self.book, command, self.book.now_s)
            except CommandRefusedError:
                continue
            self.tapped |= {one.key for one in moved}
            self.settle(moved)
        self.page = ()


rows = st.lists(
    st.tuples(
        st.integers(1, 90),
        st.frozensets(st.integers(0, len(THINGS) - 1), max_size=8),
        st.sampled_from(["", "", "open", "tap", "open and tap"]),
        st.integers(0, 3),
    ),
    min_size=1,
    max_size=10,
)


@settings(max_examples=60, deadline=None)
@given(rows)
@example([(10, frozenset({0}), "open and tap", 0), (2, frozenset({0, 1}), "", 0)])
@example([(10, frozenset({0}), "open", 0), (9, frozenset({0, 1, 2, 3, 4}), "tap", 0)])
def test_whatever_is_to_be_told_is_told_after_it_began_and_never_answered_by_a_page_without_it(
    plan: list[tuple[int, frozenset[int], str, int]],
) -> None:
    shop = Shop()
    for minutes, bad, deed, which in plan:
        shop.minutes(minutes, bad)
        if "open" in deed:
            shop.opens_page(which)
        if "tap" in deed:
            shop.taps()
    shop.minutes(int(AT_MOST_S / STEP_S) + 10, plan[-1][1])  # nobody comes; what waits is due by then
    for move in shop.moves:
        if move.trigger == "acknowledge":
            assert move.key in shop.tapped
        if move.to_state is AlarmState.UNACKNOWLEDGED and RANK[move.priority] >= RANK[Priority.MEDIUM]:
            assert was_told(shop, move) or ended(shop, move), move.key
    sent = [one for one in shop.told if not one.why_not]
    for one in sent:
        assert len(compose_for(one, WORDS).text) <= LONGEST
    keys = [(one.key, one.telling) for one in sent]
    assert len(set(keys)) == len(keys)


def was_told(shop: Shop, move: Transition) -> bool:
    """A message after it began was about it, or about worse of the same thing that still stood."""
    for one in shop.told:
        announcement = one.announcement
        if one.why_not or announcement.why is Why.CLEARED or one.telling is Notice.ANSWERED:
            continue
        if one.announcement.time_s >= move.time_s and any(about(m, move) for m in announcement.news):
            return True
    return any(worse_stood(shop, other, move) for other in shop.moves)


def about(member: Transition, move: Transition) -> bool:
    return member.condition_id == move.condition_id and member.occurrence == move.occurrence


def worse_stood(shop: Shop, other: Transition, move: Transition) -> bool:
    """Somebody was told that the same thing is at least as badly off, and it was when this began."""
    if (
        other.subject != move.subject
        or other.condition_id == move.condition_id
        or other.to_state is not AlarmState.UNACKNOWLEDGED
        or other.time_s > move.time_s
        or RANK[other.priority] < RANK[move.priority]
        or move.family != "damp_air"
    ):
        return False
    cleared_s = [
        m.time_s
        for m in shop.moves
        if m.condition_id == other.condition_id
        and m.trigger == "condition_clears"
        and m.time_s > other.time_s
    ]
    told = any(about(m, other) for one in shop.told if not one.why_not for m in one.announcement.news)
    return told and (not cleared_s or min(cleared_s) >= move.time_s)


def ended(shop: Shop, move: Transition) -> bool:
    """Before it was due to be told it was answered on a page that listed it, or was over by itself."""
    after = [m for m in shop.moves if m.condition_id == move.condition_id and m.time_s >= move.time_s]
    later = after[after.index(move) + 1 :]
    first = next((m for m in later if m.trigger in ("acknowledge", "condition_clears")), None)
    if first is None:
        return False
    over = first.trigger == "acknowledge" or not first.to_state.startswith("latched")
    return over and first.time_s - move.time_s <= AT_MOST_S


def test_every_message_counts_what_it_does_not_name() -> None:
    """Whatever a message is about, its sentence and its number of more make up the whole."""
    for count in range(1, 6):
        shop = Shop()
        shop.minutes(10, frozenset(range(count)) | frozenset({7, 8, 9}))
        (one,) = [d for d in shop.told if d.announcement.family == "damp_air" and d.telling is Notice.FIRST][
            -1:
        ]
        text, subjects = compose_for(one, WORDS).text, set(one.announcement.subjects)
        wet = {m.subject for m in one.announcement.news if m.kind == one.announcement.cause.kind}
        if len(subjects) > len(wet):
            assert f"{len(subjects) - len(wet)} more on the page" in text
