"""The part of the settings that names things: cylinders, plates, packages, and the shop's rules for them."""

from collections.abc import Iterable
from typing import Annotated, ClassVar, Literal, Self

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, model_validator

from monitor.model.errors import Fault, InputError

Identifier = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,47}$")]
Fraction = Annotated[float, Field(ge=0.0, le=1.0)]
PositiveS = Annotated[float, Field(gt=0.0)]


class Section(BaseModel):
    """A part of the settings file; unknown names are faults, not ignored."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Cylinder(Section):
    """A gas cylinder standing in a zone."""

    id: Identifier
    zone: Identifier
    name: str
    gas: Literal["argon", "argon-co2", "co2", "helium", "oxygen", "nitrogen"] = "argon-co2"
    diameter_m: Annotated[float, Field(gt=0, le=1)] = 0.23
    height_m: Annotated[float, Field(gt=0, le=3)] = 1.3
    steel_kg: Annotated[float, Field(gt=0)] = 60.0
    gas_kg: Annotated[float, Field(ge=0)] = 10.0
    emissivity: Annotated[float, Field(gt=0, le=1)] = 0.9
    present: bool = True
    work_zone: Identifier | None = None  # where it will be used, if not where it stands


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


class TestedHours(Section):
    """Longer hours proved by a test of this maker's product (column B), with the air of the test."""

    __test__: ClassVar[bool] = False
    limit_h: Annotated[float, Field(gt=0)]
    temperature_c: Annotated[float, Field(ge=0, le=60)]
    rh_frac: Annotated[float, Field(gt=0, le=1)]
    document: Annotated[str, Field(min_length=1)]


class ShopRules(Section):
    """The shop's own procedure for a class; never looser than a code; reason and document for other hours."""

    consumable: Identifier  # class id of shared/consumables.toml
    limit_h: Annotated[float, Field(gt=0)] | None = None
    reason: str = ""
    document: str = ""
    tested: TestedHours | None = None
    hold_restarts_clock: bool | None = None
    redry_permission: str = ""  # the maker's written word, where redrying needs it
    cabinet_permission: str = (
        ""  # whose written word lets a dry cabinet stop hours that the rule does not stop
    )
    use_first_frac: Annotated[float, Field(gt=0, le=1)] | None = None
    due_frac: Annotated[float, Field(gt=0, le=1)] | None = None
