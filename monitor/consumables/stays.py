"""Where a package was and what happened to it, as told by the people who handled it."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from monitor.consumables.classes import Place
from monitor.model.errors import Fault, InputError


@dataclass(frozen=True, slots=True)
class StoreReading:
    """A person's reading of a place's own display; what was not read is None."""

    time_s: float
    temperature_c: float | None = None
    rh_frac: float | None = None


@dataclass(frozen=True, slots=True)
class Stay:
    """One stay in one place; `end_s` None: it is still there.

    A checked value is what a person read on the oven or the cabinet as the package went in; `checks` is what
    was read there at other times, in order. Each speaks for a while, where no sensor has spoken since.
    """

    place: Place
    zone: str | None
    start_s: float
    end_s: float | None = None
    checked_temperature_c: float | None = None
    checked_rh_frac: float | None = None
    desiccant_s: float | None = None  # when the bag it lies in was given fresh desiccant, as somebody entered
    checks: tuple[StoreReading, ...] = ()

    @property
    def readings(self) -> tuple[StoreReading, ...]:
        """All that a person read of this place, in order of time."""
        if self.checked_temperature_c is None and self.checked_rh_frac is None:
            return self.checks
        own = StoreReading(self.start_s, self.checked_temperature_c, self.checked_rh_frac)
        return tuple(sorted((own, *self.checks), key=lambda check: check.time_s))


class Happening(StrEnum):
    """What can happen to a package besides being moved."""

    GOT_WET = "got wet"
    RAN_OFF = "ran off the outer wraps"
    BEAD_SOUND = "test bead sound"
    BEAD_NOT_SOUND = "test bead not sound"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True)
class DatedHappening:
    """One happening; `depth_m` is how much of the winding was run off."""

    kind: Happening
    time_s: float
    depth_m: float = 0.0


def checked_history(
    stays: Sequence[Stay], events: Sequence[DatedHappening], until_s: float
) -> tuple[Stay, ...]:
    """The stays in order of time without holes: a hole becomes a stay in an unknown place.

    Raises InputError with every entry that cannot be: an end before its start, two places at once, a thing
    that happened before the package was there or lies in the future.
    """
    faults: list[Fault] = []
    if not stays:
        raise InputError([Fault("history", "no stay", "say when the package was opened and where it lay")])
    ordered = sorted(stays, key=lambda stay: stay.start_s)
    for index, stay in enumerate(ordered):
        faults += _stay_faults(f"stay {index + 1} ({stay.place})", stay, until_s)
    for index, (stay, following) in enumerate(pairwise(ordered)):
        name = f"stay {index + 1} ({stay.place})"
        if stay.end_s is None:
            fix = f"another stay starts at {following.start_s:g}; end this one first"
            faults.append(Fault(f"{name}: end", "open", fix))
        elif not stay.end_s <= following.start_s:
            fix = f"the next stay starts at {following.start_s:g}; a package is in one place at a time"
            faults.append(Fault(f"{name}: end", f"{stay.end_s:g}", fix))
    for event in events:
        faults += _event_faults(event, ordered[0].start_s, until_s)
    if faults:
        raise InputError(faults)
    return _without_holes(ordered, until_s)


def _stay_faults(name: str, stay: Stay, until_s: float) -> list[Fault]:
    faults = []
    if stay.end_s is not None and not stay.end_s >= stay.start_s:
        fix = f"is before its start {stay.start_s:g}; correct one of the two"
        faults.append(Fault(f"{name}: end", f"{stay.end_s:g}", fix))
    if not stay.start_s <= until_s:
        fix = f"lies in the future (now is {until_s:g}); correct the time"
        faults.append(Fault(f"{name}: start", f"{stay.start_s:g}", fix))
    if stay.checked_rh_frac is not None and not 0.0 <= stay.checked_rh_frac <= 1.0:
        faults.append(
            Fault(f"{name}: checked humidity", f"{stay.checked_rh_frac:g}", "write a fraction 0 to 1")
        )
    if stay.checked_temperature_c is not None and not -60.0 <= stay.checked_temperature_c <= 600.0:
        fix = "write °C from -60 to 600"
        faults.append(Fault(f"{name}: checked temperature", f"{stay.checked_temperature_c:g}", fix))
    return faults


def _event_faults(event: DatedHappening, start_s: float, until_s: float) -> list[Fault]:
    faults = []
    if not start_s <= event.time_s <= until_s:
        fix = f"must lie between the first entry {start_s:g} and now {until_s:g}"
        faults.append(Fault(f"{event.kind}: time", f"{event.time_s:g}", fix))
    if not event.depth_m >= 0.0:
        faults.append(Fault(f"{event.kind}: depth", f"{event.depth_m:g} m", "write zero or more"))
    return faults


def _without_holes(ordered: Sequence[Stay], until_s: float) -> tuple[Stay, ...]:
    whole: list[Stay] = []
    for stay in ordered:
        known_until = whole[-1].end_s if whole else None
        if known_until is not None and known_until < stay.start_s:
            whole.append(Stay(Place.UNKNOWN, None, known_until, stay.start_s))
        whole.append(stay)
    last_end = whole[-1].end_s
    if last_end is not None and last_end < until_s:
        whole.append(Stay(Place.UNKNOWN, None, last_end))
    return tuple(whole)
