"""Says how bad each zone, body and package is, in the levels that pages show, and the words for it."""

from monitor.exposure.verdict import PackageVerdict
from monitor.stages.bodies import Figures
from monitor.stages.facts import Shop, ZoneFacts
from monitor.values import AirState, Level

NOT_KNOWN = "no believable reading"


def zone_level(shop: Shop, zone: ZoneFacts, air: AirState | None, oven_c: float | None) -> tuple[Level, str]:
    """The level of a zone's air and why."""
    if zone.kind == "oven":
        return _oven(zone, oven_c)
    if air is None:
        return Level.UNKNOWN, NOT_KNOWN
    percent = f"{air.relative_humidity_frac * 100.0:.0f} %RH"
    if zone.kind == "outdoor":
        return Level.SAFE, f"outdoor air, {percent}"
    limit = zone.max_relative_humidity_frac or shop.limits.humidity_caution_frac
    if air.relative_humidity_frac > limit:
        return Level.CAUTION, f"humid: {percent}, limit {limit * 100.0:.0f} %RH"
    if zone.max_dew_point_c is not None and air.dew_point_c > zone.max_dew_point_c:
        return Level.CAUTION, "dew point above the zone's limit"
    return Level.SAFE, f"dry enough: {percent}"


def _oven(zone: ZoneFacts, oven_c: float | None) -> tuple[Level, str]:
    if oven_c is None:
        return Level.UNKNOWN, NOT_KNOWN
    if zone.min_temperature_c is not None and oven_c < zone.min_temperature_c:
        return Level.DANGER, "below its minimum"
    return Level.SAFE, "hot enough"


def body_level(now: Figures | None, caution_k: float) -> tuple[Level, str]:
    """The level of a body and why; above the dew point is not yet dry."""
    if now is None:
        return Level.UNKNOWN, NOT_KNOWN
    form = "frost" if now.from_frost else "dew"
    if now.margin_k <= 0.0:
        return Level.DANGER, "gathering frost" if now.from_frost else "sweating"
    if now.wet:
        return Level.DANGER, f"still wet, above the {form} point"
    if now.margin_k < caution_k:
        return Level.CAUTION, f"close to the {form} point"
    return Level.SAFE, "dry"


_ACTIONS = {
    (
        "cylinder",
        "wet",
    ): "Do not open it yet. Wipe the outlet and seat with a clean dry lint-free cloth and wait.",
    ("plate", "wet"): "Do not weld on it. Wipe it dry, keep doors shut, wait until it is dry to the touch.",
    ("cylinder", "near"): "Keep doors shut. Check outlet and seat are dry before fitting the regulator.",
    ("plate", "near"): "Keep doors shut, stand plates apart. Check laps and backing bars before welding.",
}


def body_action(kind: str, level: Level) -> str:
    """What to do about a body, short."""
    if level is Level.UNKNOWN:
        return "Feel it by hand; look after the zone's sensor."
    if level is Level.SAFE:
        return ""
    return _ACTIONS[kind, "wet" if level is Level.DANGER else "near"]


def package_level(verdict: PackageVerdict) -> Level:
    """A package's level: closed in time it is no worry; open in air nobody measures it cannot be safe."""
    if verdict.level is Level.CAUTION and not verdict.counting:
        return Level.SAFE
    if verdict.level is Level.SAFE and verdict.counting and not verdict.air_known:
        return Level.UNKNOWN
    return verdict.level
