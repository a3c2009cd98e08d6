"""Derives from the ledger's events what each package has been through, corrections included."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from monitor.errors import Fault, InputError
from monitor.exposure.classes import Place
from monitor.exposure.history import Event as Happened
from monitor.exposure.history import Happening, Stay
from monitor.things.entries import Entry, GotWet, Moved, Opened, RanOff, TestBead, Withdrawn, entry_of
from monitor.values import EventKind


@dataclass(frozen=True, slots=True)
class Told:
    """One event of the ledger, as far as a history needs it."""

    number: int
    kind: EventKind
    subject: str
    time_s: float
    body: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Dated:
    """An entry and when it happened."""

    time_s: float
    entry: Entry


@dataclass(frozen=True, slots=True)
class PackageHistory:
    """What a package is and where it has been; `stays` without holes at the end: the last one is open."""

    id: str
    name: str
    consumable: str
    spool: str
    lot: str
    job: str
    stays: tuple[Stay, ...]
    happenings: tuple[Happened, ...]

    @property
    def opened_s(self) -> float:
        """When it was opened."""
        return self.stays[0].start_s

    @property
    def zone(self) -> str:
        """Where it is now."""
        return self.stays[-1].zone or ""


def corrected(events: Iterable[Told]) -> list[Told]:
    """The events as later corrections put them right, in order of happening.

    A correction's body is `{"of": number}` with `"void": true`, or with a new `"time_s"` or `"body"`.
    """
    kept: dict[int, Told] = {}
    for event in events:
        if event.kind is not EventKind.CORRECTION:
            kept[event.number] = event
            continue
        number = event.body.get("of")
        target = kept.get(number) if isinstance(number, int) else None
        if target is None:
            continue  # about an event that was corrected away before
        if event.body.get("void"):
            del kept[target.number]
            continue
        time_s, body = event.body.get("time_s"), event.body.get("body")
        if isinstance(time_s, int | float):
            target = replace(target, time_s=float(time_s))
        if isinstance(body, Mapping):
            target = replace(target, body=body)
        kept[target.number] = target
    return sorted(kept.values(), key=lambda event: (event.time_s, event.number))


def dated_entries(events: Iterable[Told], kind: EventKind) -> list[Dated]:
    """The entries of one kind after corrections, in order of happening."""
    return [
        Dated(event.time_s, entry_of(event.kind, event.body))
        for event in corrected(events)
        if event.kind is kind
    ]


def package_history(
    package: str, entries: Sequence[Dated], before: PackageHistory | None = None
) -> PackageHistory | None:
    """A package's history; `before` is what the settings file says of it. None: it was never opened.

    Raises InputError where the entries cannot be true: a move before it was opened, opened twice.
    """
    history = before
    for dated in entries:
        match dated.entry:
            case Opened() as opened:
                history = _opened(package, history, dated.time_s, opened)
            case Moved() as moved:
                history = _moved(_known(package, history), dated.time_s, moved)
            case _:
                known = _known(package, history)
                happening = _happening(dated)
                if happening is not None:
                    history = replace(known, happenings=(*known.happenings, happening))
    return history


def _known(package: str, history: PackageHistory | None) -> PackageHistory:
    if history is None:
        raise InputError([Fault(package, "not opened", "enter first when it was opened")])
    return history


def _opened(package: str, history: PackageHistory | None, time_s: float, opened: Opened) -> PackageHistory:
    if history is not None:
        raise InputError(
            [Fault(package, "opened already", "enter a move instead, or correct the first entry")]
        )
    stay = Stay(opened.place, opened.zone, time_s)
    return PackageHistory(
        package, opened.name, opened.consumable, opened.spool, opened.lot, opened.job, (stay,), ()
    )


def _moved(history: PackageHistory, time_s: float, moved: Moved) -> PackageHistory:
    stays = history.stays
    last = stays[-1]
    if time_s < last.start_s:
        fix = "lies before the move above it; correct one of the two"
        raise InputError([Fault(f"{history.id}: time", f"{time_s:.0f}", fix)])
    closed = replace(last, end_s=time_s if last.end_s is None else min(last.end_s, time_s))
    stay = Stay(moved.place, moved.zone, time_s, None, moved.checked_temperature_c, moved.checked_rh_frac)
    return replace(history, stays=(*stays[:-1], closed, stay))


def _happening(dated: Dated) -> Happened | None:
    match dated.entry:
        case GotWet():
            return Happened(Happening.GOT_WET, dated.time_s)
        case Withdrawn():
            return Happened(Happening.WITHDRAWN, dated.time_s)
        case RanOff(depth_m=depth_m):
            return Happened(Happening.RAN_OFF, dated.time_s, depth_m)
        case TestBead(sound=True):
            return Happened(Happening.BEAD_SOUND, dated.time_s)
        case TestBead(sound=False):
            return Happened(Happening.BEAD_NOT_SOUND, dated.time_s)
    return None


def from_settings(
    package: str, name: str, consumable: str, zone: str, opened_s: float, sealed_s: float | None
) -> PackageHistory:
    """The history of a package that the settings file declares."""
    stays: tuple[Stay, ...] = (Stay(Place.OPEN_AIR, zone, opened_s, sealed_s),)
    if sealed_s is not None:
        stays = (*stays, Stay(Place.SEALED, zone, sealed_s))
    return PackageHistory(package, name, consumable, "", "", "", stays, ())
