"""What the shop looks like now: the frozen picture the core makes and pages, API and metrics read."""

from dataclasses import dataclass, field, replace

from monitor.model.air import AirState
from monitor.model.level import Level
from monitor.model.sensor import SensorHealth, SensorStatus


@dataclass(frozen=True, slots=True)
class ZoneNow:
    """One zone: its believed air, or why there is none."""

    id: str
    name: str
    site: str
    kind: str
    level: Level
    reason: str  # in words: "dry", "humid: 82 %RH", "no believable reading for 14 min"
    since_s: float
    air: AirState | None
    sensors: tuple[SensorHealth, ...] = ()
    temperature_c: float | None = None  # of an oven, which has no humidity
    humidity_frac: float | None = None  # as a person read it, where no sensor does
    checked_s: float | None = None  # when a person read what is shown; None: a sensor says it
    desiccant_due_s: float | None = None
    action: str = ""


@dataclass(frozen=True, slots=True)
class Wait:
    """How long until something holds: hours, or the reason why there is no number."""

    hours: float | None
    reason: str  # "now", "in this air", "not in this air", "later than can be said", "unknown"
    low_hours: float | None = None
    high_hours: float | None = None


@dataclass(frozen=True, slots=True)
class BodyNow:
    """One cylinder or plate."""

    id: str
    name: str
    kind: str  # "cylinder" | "plate"
    zone: str
    level: Level
    reason: str
    since_s: float
    action: str
    skin_temperature_c: float | None
    margin_k: float | None  # skin minus dew point (frost point below 0 °C)
    margin_std_k: float | None
    wet_probability_frac: float | None
    water_film_gm2: float | None
    to_dew_point: Wait
    to_margin: Wait
    to_dry: Wait
    open_sky: bool = False  # whether it sees any sky
    cloud_frac: float | None = None  # over it, as forecast; None: not known, then taken as clear


@dataclass(frozen=True, slots=True)
class PackageNow:
    """One opened package of consumables."""

    id: str
    name: str
    consumable: str
    zone: str
    level: Level
    verdict: str
    rule: str  # which rule decided, with its source
    action: str
    used_h: float
    limit_h: float | None
    weighted_h: float
    uptake_frac: float | None  # estimate, 1 = equilibrium at the reference air
    unknown_h: float
    open_now: bool
    left_h: float | None = None  # at the present air
    due_at_s: float | None = None  # when the deciding clock runs out, while it is running
    used_frac: float | None = None
    rebakes: int = 0
    deviation: str = ""  # a shop rule looser than the code, with its reason
    notes: tuple[str, ...] = ()
    place: str = ""
    opened_s: float | None = None
    lot: str = ""
    job: str = ""


@dataclass(frozen=True, slots=True)
class AlarmNow:
    """One condition that is not normal."""

    condition: str
    state: str  # ISA-18.2
    priority: str
    title: str
    text: str
    zone: str
    since_s: float
    action: str
    acknowledged_by: str = ""
    shelved_until_s: float | None = None


@dataclass(frozen=True, slots=True)
class WarningNow:
    """One warning that people were told of, with all the conditions it takes in by now, told of or not."""

    id: str
    site: str
    priority: str
    title: str
    text: str
    action: str
    zone: str
    since_s: float
    conditions: tuple[str, ...]
    told: tuple[str, ...]  # names of those who know, in the order in which they were told
    answered_by: str = ""
    unanswered: bool = True


@dataclass(frozen=True, slots=True)
class ShiftNow:
    """What is expected of one coming shift."""

    name: str
    site: str
    start_s: float
    end_s: float
    level: Level
    probability_frac: float | None
    reason: str
    worst_s: float | None = None
    id: str = ""
    warned: bool = False  # a warning of it stands


@dataclass(frozen=True, slots=True)
class ActionNow:
    """One thing to do before a shift."""

    id: str
    text: str
    by_s: float
    saves_frac: float | None
    done: bool = False
    shift: str = ""
    zone: str = ""
    caution: str = ""


@dataclass(frozen=True, slots=True)
class Part:
    """Whether one part of the service works: broker, ingest, series store, outbox, weather …

    Its numbers change from second to second and are for programs only: pictures that differ in nothing else
    show the same.
    """

    name: str
    ok: bool
    text: str
    numbers: dict[str, float] = field(default_factory=dict, compare=False)


@dataclass(frozen=True, slots=True)
class Picture:
    """Everything a page needs about the present; `simulated` says that the time is a demo's."""

    time_s: float
    zones: tuple[ZoneNow, ...] = ()
    bodies: tuple[BodyNow, ...] = ()
    packages: tuple[PackageNow, ...] = ()
    alarms: tuple[AlarmNow, ...] = ()
    shifts: tuple[ShiftNow, ...] = ()
    actions: tuple[ActionNow, ...] = ()
    parts: tuple[Part, ...] = ()
    simulated: bool = False
    warnings: tuple[WarningNow, ...] = ()
    not_judged: str = ""  # why none of it is judged now; every level is unknown then


def not_judged(now: Picture, why: str) -> Picture:
    """The picture of a watch that stands still: what was known is told as what was, and nothing as known."""
    return replace(
        now,
        not_judged=why,
        zones=tuple(_zone_unknown(zone, why) for zone in now.zones),
        bodies=tuple(_body_unknown(body, why) for body in now.bodies),
        packages=tuple(_package_unknown(package, why) for package in now.packages),
        shifts=tuple(
            replace(shift, level=Level.UNKNOWN, probability_frac=None, reason=why) for shift in now.shifts
        ),
    )


def _was(level: Level, reason: str, why: str) -> str:
    return why if level is Level.UNKNOWN else f"{why}; was: {reason}"


def _zone_unknown(zone: ZoneNow, why: str) -> ZoneNow:
    return replace(
        zone,
        level=Level.UNKNOWN,
        reason=_was(zone.level, zone.reason, why),
        air=None,
        sensors=tuple(
            replace(sensor, status=SensorStatus.FUNCTION_CHECK, reason=why) for sensor in zone.sensors
        ),
        temperature_c=None,
        humidity_frac=None,
        checked_s=None,
    )


def _body_unknown(body: BodyNow, why: str) -> BodyNow:
    unknown = Wait(None, "unknown")
    return replace(
        body,
        level=Level.UNKNOWN,
        reason=_was(body.level, body.reason, why),
        action=body.action or "Feel it by hand.",
        skin_temperature_c=None,
        margin_k=None,
        margin_std_k=None,
        wet_probability_frac=None,
        water_film_gm2=None,
        to_dew_point=unknown,
        to_margin=unknown,
        to_dry=unknown,
    )


def _package_unknown(package: PackageNow, why: str) -> PackageNow:
    return replace(
        package,
        level=Level.UNKNOWN,
        verdict=_was(package.level, package.verdict, why),
        left_h=None,
        due_at_s=None,
    )
