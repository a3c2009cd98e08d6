"""What a person can enter about a thing: one small frozen value a kind of entry, to and from event bodies.

An entry is the `body` of a ledger event: `{"entry": NAME, …}` beside the event's subject, time, person and
reason. `CORRECTION` events name the event they put right; nothing is edited or deleted.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any, ClassVar

from monitor.errors import Fault, InputError
from monitor.exposure.classes import Place
from monitor.values import EventKind


@dataclass(frozen=True, slots=True)
class Opened:
    """A package was taken out of its sealed container."""

    entry: ClassVar[str] = "opened"
    kind: ClassVar[EventKind] = EventKind.PACKAGE
    name: str
    consumable: str
    zone: str
    place: Place = Place.ON_MACHINE
    spool: str = ""
    lot: str = ""
    job: str = ""


@dataclass(frozen=True, slots=True)
class Moved:
    """A package went to another place: bagged, into a cabinet or oven, back on the machine."""

    entry: ClassVar[str] = "moved"
    kind: ClassVar[EventKind] = EventKind.PACKAGE
    place: Place
    zone: str
    checked_temperature_c: float | None = None
    checked_rh_frac: float | None = None


@dataclass(frozen=True, slots=True)
class RanOff:
    """The outer wraps were run off and scrapped."""

    entry: ClassVar[str] = "ran-off"
    kind: ClassVar[EventKind] = EventKind.PACKAGE
    depth_m: float
    minutes: float = 0.0
    mass_kg: float = 0.0


@dataclass(frozen=True, slots=True)
class TestBead:
    """A test bead was welded with a package."""

    __test__: ClassVar[bool] = False
    entry: ClassVar[str] = "test-bead"
    kind: ClassVar[EventKind] = EventKind.PACKAGE
    sound: bool
    bead: str = ""  # id of the bead's own record, where pores were entered


@dataclass(frozen=True, slots=True)
class GotWet:
    """A package got wet."""

    entry: ClassVar[str] = "got-wet"
    kind: ClassVar[EventKind] = EventKind.PACKAGE


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """A package was taken out of use."""

    entry: ClassVar[str] = "withdrawn"
    kind: ClassVar[EventKind] = EventKind.PACKAGE


@dataclass(frozen=True, slots=True)
class CylinderDelivered:
    """A cylinder came to the yard."""

    entry: ClassVar[str] = "delivered"
    kind: ClassVar[EventKind] = EventKind.CYLINDER
    name: str
    gas: str
    zone: str
    start_temperature_c: float | None = None  # None: as warm as the outdoor air


@dataclass(frozen=True, slots=True)
class CylinderMoved:
    """A cylinder was brought into another zone."""

    entry: ClassVar[str] = "brought-in"
    kind: ClassVar[EventKind] = EventKind.CYLINDER
    zone: str


@dataclass(frozen=True, slots=True)
class CylinderConnected:
    """A cylinder was connected to a machine."""

    entry: ClassVar[str] = "connected"
    kind: ClassVar[EventKind] = EventKind.CYLINDER
    machine: str = ""


@dataclass(frozen=True, slots=True)
class CylinderChanged:
    """A cylinder was taken off and away."""

    entry: ClassVar[str] = "changed"
    kind: ClassVar[EventKind] = EventKind.CYLINDER


@dataclass(frozen=True, slots=True)
class PlateBroughtIn:
    """Base metal came into a zone."""

    entry: ClassVar[str] = "brought-in"
    kind: ClassVar[EventKind] = EventKind.STEEL
    name: str
    zone: str
    thickness_m: float
    width_m: float = 1.0
    length_m: float = 2.0
    faces: int = 2
    stacked: int = 1
    start_temperature_c: float | None = None  # None: as warm as the outdoor air


@dataclass(frozen=True, slots=True)
class PlateGone:
    """Base metal was used up or taken away."""

    entry: ClassVar[str] = "gone"
    kind: ClassVar[EventKind] = EventKind.STEEL


@dataclass(frozen=True, slots=True)
class StoreChecked:
    """Somebody read an oven's or a cabinet's own display; the subject is its zone."""

    entry: ClassVar[str] = "checked"
    kind: ClassVar[EventKind] = EventKind.STORAGE
    temperature_c: float | None = None
    rh_frac: float | None = None


@dataclass(frozen=True, slots=True)
class DesiccantRenewed:
    """The desiccant of a cabinet was renewed; the subject is its zone."""

    entry: ClassVar[str] = "desiccant-renewed"
    kind: ClassVar[EventKind] = EventKind.STORAGE


Entry = (
    Opened
    | Moved
    | RanOff
    | TestBead
    | GotWet
    | Withdrawn
    | CylinderDelivered
    | CylinderMoved
    | CylinderConnected
    | CylinderChanged
    | PlateBroughtIn
    | PlateGone
    | StoreChecked
    | DesiccantRenewed
)
ENTRIES: tuple[type[Any], ...] = (
    Opened,
    Moved,
    RanOff,
    TestBead,
    GotWet,
    Withdrawn,
    CylinderDelivered,
    CylinderMoved,
    CylinderConnected,
    CylinderChanged,
    PlateBroughtIn,
    PlateGone,
    StoreChecked,
    DesiccantRenewed,
)
_BY_NAME = {(kind.kind, kind.entry): kind for kind in ENTRIES}


def body_of(entry: Entry) -> dict[str, object]:
    """The event body of an entry."""
    return {"entry": entry.entry, **{name: _plain(value) for name, value in asdict(entry).items()}}


def _plain(value: object) -> object:
    return str(value) if isinstance(value, Place) else value


def entry_of(kind: EventKind, body: Mapping[str, object]) -> Entry:
    """The entry in an event body; InputError names what does not fit."""
    name = str(body.get("entry"))
    made = _BY_NAME.get((kind, name))
    if made is None:
        known = ", ".join(entry for of_kind, entry in _BY_NAME if of_kind == kind)
        raise InputError([Fault("entry", name, f"is no entry of a {kind}; use one of: {known or 'none'}")])
    known_names = {field.name for field in fields(made)}
    given = {key: value for key, value in body.items() if key != "entry"}
    faults = [
        Fault(key, repr(value), "is not part of this entry")
        for key, value in given.items()
        if key not in known_names
    ]
    if "place" in given:
        try:
            given["place"] = Place(str(given["place"]))
        except ValueError:
            faults.append(Fault("place", str(given["place"]), f"use one of: {', '.join(Place)}"))
    if faults:
        raise InputError(faults)
    try:
        entry: Entry = made(**given)
    except TypeError as error:
        raise InputError([Fault(name, str(sorted(given)), f"is not complete: {error}")]) from error
    return entry
