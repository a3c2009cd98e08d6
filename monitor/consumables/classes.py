"""What each class of consumable is allowed: hours, ovens, redrying, storage, with the source of each."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, TypeVar

from monitor.model.data_tables import Sourced, Statement, Status, Table
from monitor.model.errors import Fault, InputError

Part = TypeVar("Part")


class ConsumableKind(StrEnum):
    """What sort of consumable it is."""

    COVERED_ELECTRODE = "covered electrode"
    CORED_WIRE = "cored wire"
    METAL_CORED_WIRE = "metal-cored wire"
    SOLID_WIRE = "solid wire"
    FLUX = "flux"


class Authority(StrEnum):
    """Who set the permitted hours."""

    CODE = "code"
    SUPPLEMENT = "supplement"
    MAKER = "maker"
    COMPANY = "company"
    NONE = "none"


class Place(StrEnum):
    """Where a package can be."""

    OPEN_AIR = "open-air"
    ON_MACHINE = "on-machine"
    BAGGED = "bagged"
    SEALED = "sealed"
    DRY_CABINET = "dry-cabinet"
    HOLDING_OVEN = "holding-oven"
    HEATED_QUIVER = "heated-quiver"  # portable, at the welder's side
    REDRY = "redry"
    UNKNOWN = "unknown"


OVENS = frozenset({Place.HOLDING_OVEN, Place.REDRY})  # a hold or a bake counts here
HOT_PLACES = OVENS | {Place.HEATED_QUIVER}


class Counts(StrEnum):
    """What a place does to the exposure clock."""

    RUNS = "runs"
    STOPS = "stops"
    STOPS_HOT = "stops while hot"
    STOPS_DRY = "stops while dry"
    STOPS_DRY_BY_WORD = "stops while dry, on a written word"
    STOPS_FOR_A_TIME = "stops for a time"


class Permission(StrEnum):
    """Whose word allows redrying."""

    CODE = "code"
    MAKER = "maker"


class Seam(StrEnum):
    """How a cored wire is closed."""

    FOLDED = "folded"
    SEAMLESS = "seamless"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Care:
    """How a kind of consumable is kept once opened, and what each place does to its clock."""

    places: Mapping[Place, Counts]
    places_note: str
    wet: Statement
    oven_min_c: Sourced | None
    quiver_min_c: Sourced | None  # from which a portable quiver keeps rods as an oven does
    hold_min_h: Sourced | None
    heat_gap_h: Sourced | None  # most between two readings that are to prove heat, where a person read one
    hold_restarts_clock: bool
    hold_restart_source: str
    cabinet_max_rh_frac: Sourced | None
    bag_protects_h: Sourced | None


@dataclass(frozen=True, slots=True)
class Redry:
    """How, how hot, how long and how often it may be redried."""

    min_c: Sourced
    max_c: Sourced
    time_h: Sourced
    ramp_max_c: Sourced | None
    ramp_time_h: Sourced | None
    max_count: Sourced | None
    permission: Permission
    note: str


@dataclass(frozen=True, slots=True)
class Storage:
    """Ceilings of the store for unopened packages."""

    unopened: str
    max_rh_frac: Sourced
    min_c: Sourced
    max_c: Sourced
    warm_from_c: Sourced | None
    warm_max_rh_frac: Sourced | None


@dataclass(frozen=True, slots=True)
class RatingAir:
    """The air in which an exposure rating was earned; in wetter air `limit_beyond_h` holds, if any."""

    temperature_c: Sourced
    rh_frac: Sourced
    text: str
    limit_beyond_h: Sourced | None


@dataclass(frozen=True, slots=True)
class ConsumableClass:
    """One class of consumable as the codes and makers' sheets treat it."""

    id: str
    title: str
    kind: ConsumableKind
    specification: str
    authority: Authority
    limit_h: Sourced | None
    column_b_h: Sourced | None
    hydrogen_designator: Sourced | None
    as_received_wt: Sourced | None
    after_test_wt: Sourced | None
    seam: Seam
    test_air: RatingAir | None
    care: Care
    redry: Redry | None
    storage: Storage
    sorption: str | None
    note: str


def consumable_classes(data: Mapping[str, Any]) -> dict[str, ConsumableClass]:
    """The classes of a consumables file, by id; raises InputError with every fault."""
    top = Table(data, "")
    top.number("format", 1, 1)
    cares = {name: _care(row) for name, row in top.tables("care")}
    redries = {name: _redry(row) for name, row in top.tables("redry")}
    storages = {name: _storage(row) for name, row in top.tables("storage")}
    airs = {name: _test_air(row) for name, row in top.tables("test_air")}
    classes: dict[str, ConsumableClass] = {}
    for row in top.rows("class"):
        for found in _class(row, _Parts(cares, redries, storages, airs)):
            if found.id in classes:
                row.fault("id", f"{found.id} is used twice; give each class its own id")
            classes[found.id] = found
    top.finish()
    return classes


def class_named(classes: Mapping[str, ConsumableClass], name: str) -> ConsumableClass:
    """The class with this id; raises InputError that lists the known ones."""
    if name not in classes:
        known = ", ".join(sorted(classes))
        raise InputError([Fault("consumable", name, f"is not a known class; use one of: {known}")])
    return classes[name]


@dataclass(frozen=True, slots=True)
class _Parts:
    cares: Mapping[str, Care]
    redries: Mapping[str, Redry]
    storages: Mapping[str, Storage]
    airs: Mapping[str, RatingAir]


def _class(row: Table, parts: _Parts) -> list[ConsumableClass]:
    """The class of a row, and its namesakes under `also`."""
    limit = row.optional_sourced("limit", "h", 0.05, 10_000)
    authority = row.choice("authority", Authority)
    if (limit is None) != (authority is Authority.NONE):
        row.fault("authority", 'is "none" exactly where no limit is given')
    column_b = row.optional_sourced("column_b", "h", 0.05, 10_000)
    if column_b is not None and (limit is None or column_b.value <= limit.value):
        row.fault("column_b", "must be longer than limit; correct one of the two")
    care = _named(row, "care", parts.cares)
    storage = _named(row, "storage", parts.storages)
    redry = _named(row, "redry", parts.redries) if row.has("redry") else None
    air = _named(row, "test_air", parts.airs) if row.has("test_air") else None
    names = [(row.text("id"), row.text("title"))]
    if row.has("also"):
        names += [_namesake(twin) for twin in row.rows("also")]
    first_id, first_title = names[0]
    kind, specification = row.choice("kind", ConsumableKind), row.text("specification")
    designator = row.optional_sourced("hydrogen_designator", "mL/100 g", 0.5, 50)
    as_received = row.optional_sourced("as_received", "wt%", 0.0, 10)
    after_test = row.optional_sourced("after_test", "wt%", 0.0, 10)
    seam, sorption, note = row.choice("seam", Seam, Seam.NONE), row.text("sorption", ""), row.text("note", "")
    row.no_more()
    if care is None or storage is None:
        return []
    first = ConsumableClass(
        id=first_id,
        title=first_title,
        kind=kind,
        specification=specification,
        authority=authority,
        limit_h=limit,
        column_b_h=column_b,
        hydrogen_designator=designator,
        as_received_wt=as_received,
        after_test_wt=after_test,
        seam=seam,
        test_air=air,
        care=care,
        redry=redry,
        storage=storage,
        sorption=sorption or None,
        note=note,
    )
    return [replace(first, id=name, title=title) for name, title in names]


def _namesake(row: Table) -> tuple[str, str]:
    name = (row.text("id"), row.text("title"))
    row.no_more()
    return name


def _named(row: Table, name: str, parts: Mapping[str, Part]) -> Part | None:
    wanted = row.text(name)
    if wanted and wanted not in parts:
        row.fault(name, f"use one of: {', '.join(sorted(parts))}")
    return parts.get(wanted)


def _care(row: Table) -> Care:
    places_row = row.sub("places")
    places = {place: places_row.choice(place, Counts) for place in Place}
    places_row.no_more()
    if places[Place.UNKNOWN] is not Counts.RUNS:
        places_row.fault(Place.UNKNOWN, 'must be "runs": what is not known counts against the package')
    wet = row.sub("wet")
    rule = Statement(
        wet.text("text"), wet.choice("status", Status), wet.text("source"), wet.text("edition", "")
    )
    wet.no_more()
    restarts = row.flag("hold_restarts_clock", False)
    restart_source = ""
    if restarts or row.has("hold_restart_source"):
        restart_source = f"{row.text('hold_restart_source')} ({row.choice('hold_restart_status', Status)})"
    care = Care(
        places=places,
        places_note=row.text("places_note"),
        wet=rule,
        oven_min_c=row.optional_sourced("oven_min", "degC", 30, 600),
        quiver_min_c=row.optional_sourced("quiver_min", "degC", 30, 600),
        hold_min_h=row.optional_sourced("hold_min", "h", 0, 100),
        heat_gap_h=row.optional_sourced("heat_gap", "h", 0, 4),
        hold_restarts_clock=restarts,
        hold_restart_source=restart_source,
        cabinet_max_rh_frac=row.optional_sourced("cabinet_max_rh", "1", 0, 1),
        bag_protects_h=row.optional_sourced("bag_protects", "h", 0, 10_000),
    )
    _check_needs(row, care)
    row.no_more()
    return care


def _check_needs(row: Table, care: Care) -> None:
    """A place that stops under a condition needs the number of that condition."""
    used = set(care.places.values())
    needs = (
        (Counts.STOPS_DRY, "cabinet_max_rh", care.cabinet_max_rh_frac),
        (Counts.STOPS_DRY_BY_WORD, "cabinet_max_rh", care.cabinet_max_rh_frac),
        (Counts.STOPS_FOR_A_TIME, "bag_protects", care.bag_protects_h),
    )
    for counts, name, number in needs:
        if counts in used and number is None:
            row.fault(name, f'is needed because a place "{counts}"')
    if care.places[Place.HEATED_QUIVER] is Counts.STOPS_HOT and care.quiver_min_c is None:
        row.fault("quiver_min", "is needed because a heated quiver stops the clock while hot")
    if care.hold_restarts_clock and (care.hold_min_h is None or care.oven_min_c is None):
        row.fault("hold_min", "hold_min and oven_min are needed where a hold restarts the clock")


def _redry(row: Table) -> Redry:
    redry = Redry(
        min_c=row.sourced("min", "degC", 30, 600),
        max_c=row.sourced("max", "degC", 30, 600),
        time_h=row.sourced("time", "h", 0.1, 100),
        ramp_max_c=row.optional_sourced("ramp_max", "degC", 30, 600),
        ramp_time_h=row.optional_sourced("ramp_time", "h", 0, 24),
        max_count=row.optional_sourced("max_count", "1", 0, 100),
        permission=row.choice("permission", Permission),
        note=row.text("note", ""),
    )
    if redry.max_c.value < redry.min_c.value:
        row.fault("max", "must not be below min; correct one of the two")
    if (redry.ramp_max_c is None) != (redry.ramp_time_h is None):
        row.fault("ramp_max", "ramp_max and ramp_time belong together; write both or neither")
    row.no_more()
    return redry


def _storage(row: Table) -> Storage:
    storage = Storage(
        unopened=row.text("unopened"),
        max_rh_frac=row.sourced("max_rh", "1", 0, 1),
        min_c=row.sourced("min_c", "degC", -40, 60),
        max_c=row.sourced("max_c", "degC", -40, 60),
        warm_from_c=row.optional_sourced("warm_from_c", "degC", -40, 60),
        warm_max_rh_frac=row.optional_sourced("warm_max_rh", "1", 0, 1),
    )
    if storage.max_c.value <= storage.min_c.value:
        row.fault("max_c", "must be above min_c; correct one of the two")
    row.no_more()
    return storage


def _test_air(row: Table) -> RatingAir:
    air = RatingAir(
        temperature_c=row.sourced("temperature_c", "degC", 0, 60),
        rh_frac=row.sourced("rh", "1", 0.01, 1),
        text=row.text("beyond_text"),
        limit_beyond_h=row.optional_sourced("beyond_limit_h", "h", 0.05, 10_000),
    )
    row.no_more()
    return air
