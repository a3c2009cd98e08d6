"""Where things are: sites, and the zones of air in them."""

from typing import Annotated, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import Field, field_validator

from monitor.model.section import Fraction, Identifier, Section


class Site(Section):
    """One yard or works."""

    id: Identifier
    name: str
    timezone: str = "UTC"
    latitude_deg: Annotated[float, Field(ge=-90, le=90)] | None = None
    longitude_deg: Annotated[float, Field(ge=-180, le=180)] | None = None
    altitude_m: Annotated[float, Field(ge=-430, le=5000)] = 0.0

    @field_validator("timezone")
    @classmethod
    def _zone_exists(cls, value: str) -> str:
        if value not in available_timezones():
            raise ValueError("is not an IANA time zone; write one like Europe/London")
        return value

    @property
    def tz(self) -> ZoneInfo:
        """The zone as an object."""
        return ZoneInfo(self.timezone)


class Zone(Section):
    """One body of air with its own sensor."""

    id: Identifier
    site: Identifier
    name: str
    kind: Literal["bay", "hall", "store", "cage", "yard", "cabinet", "oven", "quiver", "outdoor"] = "hall"
    in_use: bool = True
    draught_ms: Annotated[float, Field(ge=0, le=20)] = 0.1
    max_relative_humidity_frac: Fraction | None = None
    max_dew_point_c: Annotated[float, Field(ge=-60, le=40)] | None = None
    min_temperature_c: Annotated[float, Field(ge=-60, le=500)] | None = None  # ovens, quivers
    stands_in: Identifier | None = None  # of a quiver: the zone whose air it holds while it is off
    heat_up_to_c: Annotated[float, Field(ge=0, le=40)] | None = None  # what its dry heater holds
    dry_down_to_frac: Fraction | None = None  # what its dehumidifier holds
    roof: Literal["closed", "open", "none"] | None = None  # absent: by the kind
    sky_view_frac: Fraction | None = None  # of an open sky that is seen; absent: by the roof
    desiccant_days: Annotated[float, Field(gt=0, le=3650)] | None = None  # how long its desiccant lasts
