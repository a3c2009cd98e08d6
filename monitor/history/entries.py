"""What a person can enter about a thing: one small frozen value a kind of entry, to and from event bodies.

An entry is the `body` of a ledger event: `{"entry": NAME, …}` beside the event's subject, time, person and
reason. `CORRECTION` events name the event they put right; nothing is edited or deleted.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, ClassVar

import msgspec

from monitor.beads.acceptance import Pore, RuleCount
from monitor.beads.acceptance_rules import Weld
from monitor.consumables.classes import Place
from monitor.history.entry_bounds import number_faults
from monitor.model.errors import Fault, InputError
from monitor.model.event import KNOWN_BY, EventKind
from monitor.model.thing import Plate


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
    wire_m: float | None = None  # diameter
    mass_kg: float | None = None  # of wire on the spool; None: full to its label


@dataclass(frozen=True, slots=True)
class Moved:
    """A package went to another place: bagged, into a cabinet or oven, back on the machine."""

    entry: ClassVar[str] = "moved"
    kind: ClassVar[EventKind] = EventKind.PACKAGE
    place: Place
    zone: str
    checked_temperature_c: float | None = None
    checked_rh_frac: float | None = None
    fresh_desiccant: bool = False  # into a bag: with new desiccant; a bag shut again keeps its age


@dataclass(frozen=True, slots=True)
class RanOff:
    """The outer wraps were run off and scrapped."""

    entry: ClassVar[str] = "ran-off"
    kind: ClassVar[EventKind] = EventKind.PACKAGE
    depth_m: float
    minutes: float = 0.0
    mass_kg: float = 0.0
    wire_m: float | None = None  # diameter, where it was said only now


@dataclass(frozen=True, slots=True)
class Seen:
    """What was measured and counted at the moment of a bead; written with it, so that it stays."""

    zone: str = ""
    air_temperature_c: float | None = None
    rh_frac: float | None = None
    dew_point_c: float | None = None
    open_s: float | None = None  # of the package's clock
    weighted_s: float | None = None
    unknown_s: float | None = None
    used_frac: float | None = None
    uptake_frac: float | None = None  # estimate
    standing: str = ""
    cylinder_margin_k: float | None = None
    plate_margin_k: float | None = None


@dataclass(frozen=True, slots=True)
class TestBead:
    """A test bead was welded with a package."""

    __test__: ClassVar[bool] = False
    entry: ClassVar[str] = "test-bead"
    kind: ClassVar[EventKind] = EventKind.PACKAGE
    sound: bool
    bead: str = ""  # id of the bead's own record, where pores were entered
    seen: Seen | None = None


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
    pressure_pa: float | None = None  # gauge, as read on delivery


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
class CylinderSpare:
    """A cylinder stands by with its cap on; no shift uses it until it is connected or brought in."""

    entry: ClassVar[str] = "capped-spare"
    kind: ClassVar[EventKind] = EventKind.CYLINDER


@dataclass(frozen=True, slots=True)
class CylinderQuarantined:
    """A cylinder was set aside: nobody is to use it until it is connected again."""

    entry: ClassVar[str] = "quarantined"
    kind: ClassVar[EventKind] = EventKind.CYLINDER


@dataclass(frozen=True, slots=True)
class GaugeRead:
    """Somebody read the contents gauge of a cylinder."""

    entry: ClassVar[str] = "gauge-read"
    kind: ClassVar[EventKind] = EventKind.CYLINDER
    pressure_pa: float  # gauge


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
    width_m: float = Plate.model_fields["width_m"].default
    length_m: float = Plate.model_fields["length_m"].default
    faces: int = 2
    stacked: int = 1
    start_temperature_c: float | None = None  # None: as it was where it lay, else as warm as the outdoor air


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


@dataclass(frozen=True, slots=True)
class BeadWelded:
    """A test bead with its pores; from `outcome` on it is what the rules said when it was entered."""

    entry: ClassVar[str] = "bead"
    kind: ClassVar[EventKind] = EventKind.BEAD
    rule: str  # id of the acceptance rules
    weld: Weld
    length_m: float
    thickness_m: float
    pores: tuple[Pore, ...] = ()
    throat_m: float | None = None
    width_m: float | None = None
    multilayer: bool = False
    none_seen: bool = False
    package: str = ""
    cylinder: str = ""
    plate: str = ""
    zone: str = ""
    outcome: str = ""
    code: str = ""
    clause: str = ""
    edition: str = ""
    text: str = ""
    counts: tuple[RuleCount, ...] = ()
    notes: tuple[str, ...] = ()
    seen: Seen | None = None


JUDGED = frozenset({"outcome", "code", "clause", "edition", "text", "counts", "notes", "seen"})
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
    | CylinderSpare
    | CylinderQuarantined
    | GaugeRead
    | CylinderChanged
    | PlateBroughtIn
    | PlateGone
    | StoreChecked
    | DesiccantRenewed
    | BeadWelded
)
ENTRIES: tuple[type[Any], ...] = Entry.__args__
_BY_NAME = {(kind.kind, kind.entry): kind for kind in ENTRIES}


def body_of(entry: Entry) -> dict[str, object]:
    """The event body of an entry: plain JSON values."""
    plain: dict[str, object] = msgspec.json.decode(msgspec.json.encode(entry))
    return {"entry": entry.entry, **plain}


def entry_of(kind: EventKind, body: Mapping[str, object]) -> Entry:
    """The entry in an event body; InputError names what does not fit."""
    name = str(body.get("entry", BeadWelded.entry if kind is EventKind.BEAD else None))
    made = _BY_NAME.get((kind, name))
    if made is None:
        known = ", ".join(entry for of_kind, entry in _BY_NAME if of_kind == kind)
        raise InputError([Fault("entry", name, f"is no entry of a {kind}; use one of: {known or 'none'}")])
    known_names = {field.name for field in fields(made)}
    given = {key: value for key, value in body.items() if key not in ("entry", KNOWN_BY)}
    faults = [
        Fault(key, repr(value), "is not part of this entry")
        for key, value in given.items()
        if key not in known_names
    ]
    if "place" in given and given["place"] not in set(Place):
        faults.append(Fault("place", str(given.pop("place")), f"use one of: {', '.join(Place)}"))
    if faults:
        raise InputError(faults)
    try:
        entry: Entry = msgspec.convert(given, made)
    except msgspec.ValidationError as error:
        what, _, where = str(error).partition(" - at `$.")
        field = where.rstrip("`") or name
        raise InputError(
            [Fault(field, repr(given.get(field, "nothing")), f"cannot be read: {what}")]
        ) from error
    faults = number_faults(entry)
    if faults:
        raise InputError(faults)
    return entry
