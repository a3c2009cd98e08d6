"""What the settings say of things: cylinders, plates, packages."""

from collections.abc import Iterable
from typing import Annotated, Literal, Self

from pydantic import AwareDatetime, Field, model_validator

from monitor.model.errors import Fault, InputError
from monitor.model.section import Identifier, Section

CylinderUse = Literal["connected", "spare", "quarantined"]  # a spare is capped and waits


class Cylinder(Section):
    """A gas cylinder standing in a zone."""

    id: Identifier
    zone: Identifier
    name: str
    gas: Literal[
        "argon", "argon-co2", "argon-co2-8", "argon-co2-25", "co2", "helium", "oxygen", "nitrogen"
    ] = "argon-co2"
    diameter_m: Annotated[float, Field(gt=0, le=1)] = 0.23
    height_m: Annotated[float, Field(gt=0, le=3)] = 1.3
    steel_kg: Annotated[float, Field(gt=0)] = 60.0
    gas_kg: Annotated[float, Field(ge=0)] = 10.0
    emissivity: Annotated[float, Field(gt=0, le=1)] = 0.9
    present: bool = True
    work_zone: Identifier | None = None  # where it will be used, if not where it stands
    use: CylinderUse | None = None  # absent: by where it stands, see `used_by_a_shift`


# Where cylinders are kept, not used.
KEPT_IN = frozenset({"cage", "yard", "store", "outdoor"})


def used_by_a_shift(use: CylinderUse | None, zone_kind: str, work_zone: str | None) -> bool:
    """Whether a shift will take gas from a cylinder, so that its sweating is worth a message.

    What people entered rules. Without a word a cylinder that is kept in a cage, a yard or a store and is
    not wanted anywhere stands there with its cap on; everywhere else it counts as used.
    """
    if use is not None:
        return use == "connected"
    return work_zone is not None or zone_kind not in KEPT_IN


class Plate(Section):
    """Base metal lying or standing in a zone."""

    id: Identifier
    zone: Identifier
    name: str
    thickness_m: Annotated[float, Field(gt=0, le=1)]
    width_m: Annotated[float, Field(gt=0, le=30)] = 1.0
    length_m: Annotated[float, Field(gt=0, le=30)] = 2.0
    faces: Literal[1, 2] = 2
    stacked: Annotated[int, Field(ge=1)] = 1
    emissivity: Annotated[float, Field(gt=0, le=1)] = 0.9
    present: bool = True
    work_zone: Identifier | None = None  # where it will be used, if not where it stands


class Package(Section):
    """An opened package of consumables that the settings file declares."""

    id: Identifier
    zone: Identifier
    name: str
    consumable: Identifier  # class id of shared/consumables.toml
    opened_at: AwareDatetime
    sealed_at: AwareDatetime | None = None  # shut again by the shop, or put into the oven named next
    oven: Identifier | None = None
    spool: Identifier | None = None  # geometry id of shared/spools.toml
    wire_m: Annotated[float, Field(gt=0, le=0.01)] | None = None  # diameter
    shop_limit_h: Annotated[float, Field(gt=0)] | None = None

    @model_validator(mode="after")
    def _sealed_after_opened(self) -> Self:
        if self.sealed_at is not None and self.sealed_at < self.opened_at:
            raise ValueError("sealed_at is before opened_at; correct one of the two")
        if self.oven is not None and self.sealed_at is None:
            raise ValueError(f"oven {self.oven} without a time; write under sealed_at when it went in")
        return self


def refuse_ahead_of_now(packages: Iterable[Package], now_s: float) -> None:
    """A package is declared once it has been opened or sealed; a time that has not come is an InputError."""
    faults = [
        Fault(f"packages.{package.id}.{name}", f"{when:%Y-%m-%d %H:%M %z}", "has not come yet; correct it")
        for package in packages
        for name, when in (("opened_at", package.opened_at), ("sealed_at", package.sealed_at))
        if when is not None and when.timestamp() > now_s
    ]
    if faults:
        raise InputError(faults)
