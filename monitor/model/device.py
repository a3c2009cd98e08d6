"""A sensor on a wall or on a skin, and what it measures."""

from datetime import date
from enum import StrEnum
from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from monitor.model.reading import MEASURED, Quantity
from monitor.model.section import Identifier, PositiveS, Section


class Unit(StrEnum):
    """Units a sensor may report in; converted to the inside unit when decoded."""

    CELSIUS = "Cel"
    FAHRENHEIT = "degF"
    KELVIN = "K"
    PERCENT_RH = "%RH"
    PERCENT = "%"
    FRACTION = "/"
    PASCAL = "Pa"
    HECTOPASCAL = "hPa"
    KILOPASCAL = "kPa"
    PARTS_PER_MILLION = "ppm"
    COUNT = "count"
    WATT = "W"
    KILOWATT = "kW"
    WATT_PER_M2 = "W/m2"
    KILOGRAM = "kg"


WORST_HUMIDITY_FRAC = 0.2  # a sensor worse than ±20 %RH decides nothing; it was written in percent


class Measure(Section):
    """One quantity a sensor reports, and how to find and trust it."""

    quantity: Quantity
    unit: Unit
    accuracy: Annotated[float, Field(gt=0)] | None = None  # ± in inside units, maker's figure
    offset: float = 0.0  # added after conversion, inside units
    gain: Annotated[float, Field(gt=0)] = 1.0
    pointer: str | None = None  # RFC 6901, for foreign JSON
    name: str | None = None  # SenML record name
    min: float | None = None  # inside units; outside is a failure
    max: float | None = None
    max_rate_per_min: Annotated[float, Field(gt=0)] | None = None

    @model_validator(mode="after")
    def _humidity_is_a_fraction(self) -> Self:
        if self.quantity is Quantity.RELATIVE_HUMIDITY and (self.accuracy or 0.0) > WORST_HUMIDITY_FRAC:
            raise ValueError(
                f"accuracy {self.accuracy:g} of a humidity is a fraction here; write 0.02 for 2 %RH, "
                f"at most {WORST_HUMIDITY_FRAC:g}"
            )
        return self

    @field_validator("quantity")
    @classmethod
    def _is_measured(cls, value: Quantity) -> Quantity:
        if value not in MEASURED:
            raise ValueError(f"is derived, not measured; use one of {', '.join(sorted(MEASURED))}")
        return value


class Sensor(Section):
    """One device on a wall (or on a body's skin)."""

    id: Identifier
    zone: Identifier
    topic: str | None = None  # absent: {root}/{site}/{zone}/{id}
    format: Literal["own", "senml", "json", "number"] = "own"
    time_pointer: str | None = None  # RFC 6901, foreign JSON; absent: arrival time
    body: Identifier | None = None  # the cylinder or plate a surface probe sits on
    interval_s: PositiveS = 30.0
    stale_after_s: PositiveS = 300.0
    stuck_after_s: PositiveS = 21_600.0
    calibrated_on: date | None = None
    calibration_days: Annotated[int, Field(ge=1)] = 365
    measures: Annotated[tuple[Measure, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _one_lost_message_is_no_silence(self) -> Self:
        if self.stale_after_s < 2.0 * self.interval_s:
            raise ValueError(
                f"stale_after_s of {self.stale_after_s:g} s is less than two intervals: one lost message "
                "would count as silence; raise it, or correct interval_s"
            )
        return self
