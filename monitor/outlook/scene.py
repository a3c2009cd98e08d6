"""What the outlook watches: zones with their limits, bodies and packages as they stand, and how to say it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.consumables.exposure_clock import ExposureClock
from monitor.consumables.package_facts import PackageFacts
from monitor.model.place import Zone
from monitor.model.shop_units import degrees, span
from monitor.outlook.telling import Telling
from monitor.physics.lag import BodyState
from monitor.physics.night_sky import ROOFED, Sky
from monitor.physics.placed_body import BodyFacts


@dataclass(frozen=True, slots=True)
class ZoneAhead:
    """One zone, its limits (None: not judged), and what can be done to its air."""

    id: str
    name: str
    site: str
    kind: str
    limit_humidity_frac: float | None = None
    limit_dew_point_c: float | None = None
    pressure_pa: float = 101_325.0
    draught_ms: float = Zone.model_fields["draught_ms"].default
    has_door: bool = False
    heat_up_to_c: float | None = None  # what its vented or electric heater can hold; None: no heater
    dry_down_to_frac: float | None = None  # what its dehumidifier can hold; None: no dehumidifier
    sky: Sky = ROOFED


@dataclass(frozen=True, slots=True)
class PlanPhrases:
    """How times and temperatures are said to a person."""

    zone: ZoneInfo
    fahrenheit: bool = False

    def clock(self, time_s: float, now_s: float | None = None) -> str:
        """06:00, with the weekday where it is not the day of `now_s`."""
        moment = datetime.fromtimestamp(time_s, self.zone)
        if now_s is None or moment.date() == datetime.fromtimestamp(now_s, self.zone).date():
            return f"{moment:%H:%M}"
        return f"{moment:%a %H:%M}"

    def temperature(self, temperature_c: float) -> str:
        """Whole degrees: a forecast is not sharper."""
        return f"{degrees(temperature_c, fahrenheit=self.fahrenheit):.0f} °{'F' if self.fahrenheit else 'C'}"

    def apart(self, difference_k: float) -> str:
        """How far above or below: "3 °C above", "at"."""
        size = span(abs(difference_k), fahrenheit=self.fahrenheit)
        if round(size) == 0:
            return "at"
        return f"{size:.0f} °{'F' if self.fahrenheit else 'C'} {'above' if difference_k > 0 else 'below'}"


@dataclass(frozen=True, slots=True)
class Scene:
    """Everything of one site that a shift can make wet."""

    site: str
    words: PlanPhrases
    zones: Mapping[str, ZoneAhead]
    telling: Telling
    margin_k: float
    warn_frac: float  # the odds that call for a warning
    bodies: tuple[BodyFacts, ...] = ()
    states: Mapping[str, BodyState] = field(default_factory=dict)  # of the bodies, now
    packages: tuple[PackageFacts, ...] = ()
    clocks: Mapping[str, ExposureClock] = field(default_factory=dict)  # of the packages, up to now
    outdoor_dew_point_c: tuple[float, ...] = field(default=())  # the next 48 hours, where known
