"""Says how bad each zone, body and package is, in the levels that pages show, and the words for it."""

import math
from enum import StrEnum
from typing import NamedTuple

from monitor.consumables.verdict import PackageVerdict
from monitor.core.body_figures import Figures
from monitor.core.heated_stores import HEATED, StoreNow
from monitor.core.shop import GONE, Shop, ZoneFacts
from monitor.core.state import Since
from monitor.model.air import AirState
from monitor.model.level import Level

NOT_KNOWN = "no believable reading"
NOT_NAMED = "not in the settings, nobody watches it"
NAME_IT = "Name it in the settings again, or enter where its things are now; check them by hand."
NOT_OPENED = "opened at a time that has not come"
JUST_ENTERED = "just entered, judged at the next look"


class Grounds(StrEnum):
    """What a level stands on."""

    MEASURED = "measured"
    TYPED = "typed"  # read or entered by a person
    SUPPOSED = "supposed"  # partly; what was supposed is against us
    DOUBTFUL = "doubtful"  # only what was supposed speaks against it
    NONE = "none"


NO_EVIDENCE = frozenset({Grounds.DOUBTFUL, Grounds.NONE})


class Judged(NamedTuple):
    """The level that the numbers give, why, and what it stands on, with its words or its time."""

    level: Level
    reason: str
    evidence: Grounds = Grounds.MEASURED
    words: str = ""  # what was supposed
    read_s: float | None = None  # when a person read it


def shown(judged: Judged, before: Since | None, now_s: float) -> tuple[Level, str]:
    """The level that is shown and why; every level of the picture is made here.

    Without evidence nothing is safe: it is unknown, or the danger that was seen last, with its age. Danger
    stands until newer evidence unsays it; silence does not.
    """
    if judged.evidence in NO_EVIDENCE:
        why = judged.words or judged.reason
        if before is not None and before.level is Level.DANGER and before.known_s is not None:
            return Level.DANGER, f"{before.known} when last known, {_ago(before.known_s, now_s)}; {why}"
        return Level.UNKNOWN, why
    if judged.evidence is Grounds.TYPED and judged.read_s is not None and judged.level is not Level.UNKNOWN:
        return judged.level, f"{judged.reason}, read by hand {_ago(judged.read_s, now_s)}"
    return judged.level, f"{judged.reason}; {judged.words}" if judged.words else judged.reason


def noted(judged: Judged, before: Since | None, now_s: float) -> Since:
    """What is remembered of a level: since when it is shown, and the evidence it stands on."""
    level, _ = shown(judged, before, now_s)
    since_s = now_s if before is None or before.level is not level else before.since_s
    if judged.evidence in NO_EVIDENCE:
        return Since(level, since_s) if before is None else before._replace(level=level, since_s=since_s)
    return Since(level, since_s, now_s, judged.reason)


def of_zone(shop: Shop, zone: ZoneFacts, air: AirState | None, now: StoreNow, now_s: float) -> Judged:
    """What is known of a zone's air; where no sensor speaks, a person's newer reading does."""
    level, reason = _zone_numbers(shop, zone, air, now, now_s)
    if level is Level.UNKNOWN:
        return Judged(level, reason, Grounds.NONE)
    due_s = zone.store.desiccant_due_s
    if level is Level.SAFE and due_s is not None and now_s >= due_s:
        level, reason = Level.CAUTION, f"desiccant due {_ago(due_s, now_s)}; {reason}"
    if now.checked_s is not None:
        return Judged(level, reason, Grounds.TYPED, read_s=now.checked_s)
    return Judged(level, reason)


def _zone_numbers(
    shop: Shop, zone: ZoneFacts, air: AirState | None, now: StoreNow, now_s: float
) -> tuple[Level, str]:
    if zone.kind == GONE:
        return Level.UNKNOWN, NOT_NAMED
    if zone.kind in HEATED:
        level, reason = _oven(zone, now, now_s)
        cold = level is Level.DANGER and now.temperature_c is not None
        if cold and zone.kind == "quiver" and not shop.holds(zone.id):
            level, reason = Level.SAFE, "cold and empty"
        return level, reason
    return _humidity(shop, zone, air, now.humidity_frac)


def _humidity(
    shop: Shop, zone: ZoneFacts, air: AirState | None, humidity_frac: float | None
) -> tuple[Level, str]:
    if humidity_frac is None or not math.isfinite(humidity_frac):
        return Level.UNKNOWN, NOT_KNOWN
    percent = f"{humidity_frac * 100.0:.0f} %RH"
    if zone.kind == "outdoor" and not shop.things_in(zone.id):
        return Level.SAFE, f"outdoor air, {percent}"
    limit = zone.max_relative_humidity_frac or shop.limits.humidity_caution_frac
    if humidity_frac > limit:
        return Level.CAUTION, f"humid: {percent}, limit {limit * 100.0:.0f} %RH"
    if air is not None and zone.max_dew_point_c is not None and not air.dew_point_c <= zone.max_dew_point_c:
        return Level.CAUTION, "dew point above the zone's limit"
    return Level.SAFE, f"dry enough: {percent}"


def _ago(time_s: float, now_s: float) -> str:
    hours = max(now_s - time_s, 0.0) / 3600.0
    if hours < 1.0:
        return f"{hours * 60.0:.0f} min ago"
    return f"{hours:.0f} h ago" if hours < 48.0 else f"{hours / 24.0:.0f} days ago"


def _oven(zone: ZoneFacts, now: StoreNow, now_s: float) -> tuple[Level, str]:
    """Found cold it stays cold until something says otherwise; found hot it is so only while that speaks."""
    least_c = zone.min_temperature_c
    if now.temperature_c is not None and math.isfinite(now.temperature_c):
        cold = least_c is not None and now.temperature_c < least_c
        return (Level.DANGER, "below its minimum") if cold else (Level.SAFE, "hot enough")
    if least_c is not None and now.last_c is not None and now.last_s is not None and now.last_c < least_c:
        return Level.DANGER, f"below its minimum when last read, {_ago(now.last_s, now_s)}"
    return Level.UNKNOWN, NOT_KNOWN


def zone_action(zone: ZoneFacts, level: Level, now_s: float) -> str:
    """What to do about a storage place, short; other zones have their bodies' and packages' actions."""
    if zone.kind == GONE:
        return NAME_IT
    if level is Level.SAFE or zone.kind not in _STORE_ACTIONS:
        return ""
    unknown, wrong = _STORE_ACTIONS[zone.kind]
    due_s = zone.store.desiccant_due_s
    if level is Level.CAUTION and due_s is not None and now_s >= due_s:
        return "Renew or regenerate the desiccant and enter it."
    return unknown if level is Level.UNKNOWN else wrong


_STORE_ACTIONS = {
    "oven": (
        "Read the oven's own thermometer and enter it; look after its sensor.",
        "Shut the door, check the heater; move the rods to a hot one. What lies here counts as open.",
    ),
    "quiver": (
        "Read the quiver's own thermometer and enter it; look after its sensor.",
        "Plug it in, shut the lid, or move the rods to a hot oven. What lies here counts as open.",
    ),
    "cabinet": (
        "Read the cabinet's own hygrometer and enter it; look after its sensor.",
        "Shut the door, renew the desiccant or check the dryer. What lies in it counts as open.",
    ),
    "store": (
        "Read a hygrometer there and enter it; look after its sensor.",
        "Shut doors, run the dehumidifier or a vented heater; keep cartons closed.",
    ),
}


def of_body(now: Figures | None, shop: Shop, *, air_known: bool) -> Judged:
    """What is known of a body, with what had to be supposed; where that decides it, it is in doubt."""
    if now is None or not math.isfinite(now.margin_k):
        why = JUST_ENTERED if now is None and air_known else NOT_KNOWN
        return Judged(Level.UNKNOWN, why, Grounds.NONE)
    if now.doubtful:
        return Judged(Level.UNKNOWN, now.supposed, Grounds.DOUBTFUL)
    level, reason = margin_level(now, shop.limits.margin_caution_k)
    odds = now.wet_probability_frac
    if level is Level.SAFE and not odds <= shop.supposed.wet_odds_frac:
        level, reason = Level.CAUTION, f"may be wet, chance {odds * 100.0:.0f} %"
    evidence = Grounds.SUPPOSED if now.supposed else Grounds.MEASURED
    return Judged(level, reason, evidence, now.supposed)


def margin_level(now: Figures, caution_k: float) -> tuple[Level, str]:
    """The level that a body's mean margin gives; above the dew point is not yet dry."""
    form = "frost" if now.from_frost else "dew"
    level = level_by_margin(now.margin_k, now.wet, caution_k)
    if now.margin_k <= 0.0:
        return level, "gathering frost" if now.from_frost else "sweating"
    if now.wet:
        return level, f"still wet, above the {form} point"
    if level is Level.CAUTION:
        return level, f"close to the {form} point"
    return level, "dry"


def level_by_margin(margin_k: float, wet: bool, caution_k: float) -> Level:
    """The level alone; `wet` of a body at or below the dew point too."""
    if wet:
        return Level.DANGER
    return Level.CAUTION if margin_k < caution_k else Level.SAFE


_ACTIONS = {
    (
        "cylinder",
        "wet",
    ): "Do not open it yet. Wipe the outlet and seat with a clean dry lint-free cloth and wait.",
    ("plate", "wet"): "Do not weld on it. Wipe it dry, keep doors shut, wait until it is dry to the touch.",
    ("cylinder", "near"): "Keep doors shut. Check outlet and seat are dry before fitting the regulator.",
    ("plate", "near"): "Keep doors shut, stand plates apart. Check laps and backing bars before welding.",
}


def body_action(kind: str, level: Level, *, air_known: bool) -> str:
    """What to do about a body, short."""
    if level is Level.UNKNOWN:
        if air_known:
            return "Feel it by hand; leave it shut." if kind == "cylinder" else "Feel it by hand."
        return "Feel it by hand; look after the zone's sensor."
    if level is Level.SAFE:
        return ""
    return _ACTIONS[kind, "wet" if level is Level.DANGER else "near"]


def of_package(verdict: PackageVerdict | None) -> Judged:
    """What is known of a package: closed in time it is no worry; open in air nobody measures it is not safe.

    Its hours need no memory of danger: they never run back. Without a verdict it is not opened yet.
    """
    if verdict is None:
        return Judged(Level.UNKNOWN, NOT_OPENED, Grounds.NONE)
    level, reason = verdict.level, str(verdict.standing)
    if level is Level.CAUTION and not verdict.counting:
        return Judged(Level.SAFE, reason)
    if level is Level.SAFE and verdict.counting and not verdict.air_known:
        return Judged(Level.UNKNOWN, reason, Grounds.NONE)
    return Judged(level, reason)
