"""What the pages are given to work with; the service fills it in."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from monitor.access.desk import AccessDesk
from monitor.alarms.states import Command
from monitor.consumables.classes import Place
from monitor.consumables.run_off import RunOffGuide
from monitor.history.entries import Seen
from monitor.history.entry_words import EntryWords
from monitor.history.rack import Thing, judged, things
from monitor.history.shop_history import DeclaredThings, ShopHistory
from monitor.model.actor import Actor
from monitor.model.errors import Fault, InputError
from monitor.model.event import Event, NewEvent
from monitor.model.picture import Picture
from monitor.model.shift_span import ShiftSpan
from monitor.notify.courier import ChannelState
from monitor.notify.outcome import Outcome, Refused
from monitor.outlook.action import Action, PlanInputs
from monitor.outlook.shift_outlook import ShiftOutlook
from monitor.outlook.warning import Score
from monitor.report.paper import PaperSize
from monitor.report.sheet import Sheet
from monitor.settings.schema import Settings
from monitor.store.contract import Ledger, SeriesStore, Witness
from monitor.store.phone_book import PhoneBook


@dataclass(frozen=True, slots=True)
class Answered:
    """What became of an answer to an alarm: whether it was carried out, and what to tell the person."""

    done: bool
    text: str


@dataclass(frozen=True, slots=True)
class Answering:
    """A person's answer to an alarm: what, by whom, and the key that makes it safe to send again.

    `ago_s` is how long the tap waited on the phone; `tap` is the same in every try of one tap.
    """

    command: Command
    actor: Actor
    key: str
    ago_s: float = 0.0
    tap: str = ""


@dataclass(frozen=True, slots=True)
class SiteAhead:
    """What the last look ahead gave for one site; `questions` is what a what-if is asked of."""

    site: str
    looked_s: float
    outlooks: tuple[ShiftOutlook, ...] = ()
    actions: tuple[Action, ...] = ()
    questions: PlanInputs | None = None
    explanations: Mapping[str, str] = field(default_factory=dict)  # by zone: how it follows the outdoor air
    notes: tuple[str, ...] = ()
    weather: str = ""  # attribution of the forecast, or why there is none
    forecast_good: bool = False


@dataclass(frozen=True, slots=True)
class SeenAsk:
    """Of which moment and things it is asked what was measured."""

    time_s: float
    package: str = ""
    zone: str = ""
    cylinder: str = ""
    plate: str = ""


def _no_channel(channel: str, who: Actor) -> Outcome:
    return Refused(f"there is no channel {channel}")


def _no_sheet(kind: str, of: str, site: str) -> Sheet:
    raise InputError([Fault(kind, of, "cannot be made here; the running service makes sheets")])


def _no_paper(kind: str, of: str, site: str, size: PaperSize) -> bytes:
    raise InputError([Fault(kind, of, "cannot be printed here; the running service makes records")])


@dataclass(frozen=True, slots=True)
class WebDeps:
    """Everything the pages read, and the ways in which they act.

    `history` gives every thing that settings and ledger tell of, with where it lay when.
    `key` signs forms and one-tap links. `operate` carries out a person's answer to an alarm.
    `shift_spans` gives the shifts that touch a stretch of time.
    `record` takes the entries of `monitor.history.entries` (`body_of(entry)` is an event's body), refuses
    with an InputError what cannot be true, and derives clocks and bodies anew;
    `monitor.history.package_history` reads them back. `seen` tells what was measured and counted at a moment,
    `scores` how the warnings of shifts that are over came out, `try_channel` sends one test message,
    `sheet` makes the record of a package, lot, job or week (kind, which one, site), `paper` its PDF,
    `run_off` says how to run off a package's outer wraps where that is called for, `oven_doubts` what speaks
    against putting a package into an oven now (package, place, zone), `witnesses` the ledger's ends
    that were kept outside of it, in rising number, `desk` lets people in where they have accounts here,
    `phones` are the browsers that asked to be told.
    """

    settings: Settings
    declared: DeclaredThings
    history: Callable[[], ShopHistory]
    series: SeriesStore
    ledger: Ledger
    snapshot: Callable[[], Picture]
    operate: Callable[[Answering], Answered]
    record: Callable[[NewEvent], Event]
    shift_spans: Callable[[float, float], Sequence[ShiftSpan]]
    clock: Callable[[], float]
    key: bytes
    ahead: Callable[[], Sequence[SiteAhead]] = tuple
    scores: Callable[[], Sequence[Score]] = tuple
    seen: Callable[[SeenAsk], Seen] = lambda _: Seen()
    channels: Callable[[], Sequence[ChannelState]] = tuple
    try_channel: Callable[[str, Actor], Outcome] = _no_channel
    sheet: Callable[[str, str, str], Sheet] = _no_sheet
    paper: Callable[[str, str, str, PaperSize], bytes] = _no_paper
    run_off: Callable[[str], RunOffGuide | None] = lambda _: None
    oven_doubts: Callable[[str, Place, str], tuple[str, ...]] = lambda *_: ()
    witnesses: Callable[[], Sequence[Witness]] = tuple
    desk: AccessDesk | None = None
    phones: PhoneBook | None = None

    def entry_words(self) -> EntryWords:
        """How entries are worded here."""
        fahrenheit = self.settings.web.temperature_unit == "F"
        return EntryWords({zone.id: zone.name for zone in self.settings.zones}, fahrenheit)

    def rack(self) -> dict[str, Thing]:
        """Every thing by its label as it is now, with what the core says of it."""
        picture, now_s = self.snapshot(), self.clock()
        found = things(self.history(), self.declared, now_s)
        if picture.simulated:  # a demo declares beforehand what is to come
            found = {name: one for name, one in found.items() if (one.since_s or 0.0) <= now_s}
        return judged(found, picture)

    def thing(self, name: str) -> Thing | None:
        """One thing as it is now, from its own entries alone and not judged."""
        told = self.declared.thing(name, self.ledger.events(subject=name))
        return things(told, self.declared, self.clock()).get(name)
