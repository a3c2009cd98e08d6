"""Answers the first page's question from a snapshot: is anything wet or about to be, where, what to do."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from monitor.history.rack import Thing
from monitor.model.level import Level
from monitor.model.picture import ActionNow, AlarmNow, BodyNow, PackageNow, Picture, ShiftNow, ZoneNow
from monitor.model.sensor import SensorHealth, SensorStatus
from monitor.web.frame.look import HEALTH, RISK, SET_APART, risk_rank
from monitor.web.frame.show import Show

SHIFT_HORIZON_S = 48 * 3_600.0
SHOWN_LINES = 4
PHONE_ROWS = 2  # of a kind; the others are folded on a phone
LOOK = "Treat it as humid until it reports again. Check power and cable of its sensors."
_KIND_RANK = {"body": 0, "zone": 1, "package": 2, "shift": 3}
_HEADLINES = {
    (Level.DANGER, "body"): "Wet now",
    (Level.DANGER, "zone"): "Not hot enough now",  # only ovens and quivers are ever a danger by themselves
    (Level.DANGER, "package"): "Do not weld with it",
    (Level.DANGER, "over"): "Prove it before use",
    (Level.CAUTION, "body"): "Close to wet",
    (Level.CAUTION, "zone"): "Getting humid",
    (Level.CAUTION, "desiccant"): "Renew the desiccant",
    (Level.CAUTION, "package"): "Running out of time",
    (Level.CAUTION, "shift"): "Humid shift ahead",
    (Level.UNKNOWN, "body"): "Not known",
    (Level.UNKNOWN, "zone"): "Not known",
    (Level.UNKNOWN, "package"): "Not known",
    (Level.UNKNOWN, "shift"): "Next shift not known",
}


@dataclass(frozen=True, slots=True)
class HeadlineRow:
    """One thing that is not safe, or several of a kind in one place."""

    level: Level
    kind: str  # "body" | "zone" | "package" | "shift"
    zone: str
    what: str  # what several of them are called together: "cylinders"
    names: tuple[str, ...]
    state: str
    since_s: float | None
    action: str
    by_s: float | None = None
    calls_for: str = ""  # what the headline says of it, where that is not by its kind


@dataclass(frozen=True, slots=True)
class Headline:
    """The first thing read: how bad, in two words, then where, since when and what to do."""

    level: Level
    headline: str
    lines: tuple[HeadlineRow, ...]
    more: int  # lines left out
    old_since_s: float | None  # set when nothing is judged now: the time of what was judged last


def answer(snapshot: Picture, now_s: float) -> Headline:
    """The worst of everything; what is not known is never shown as safe."""
    lines = sorted(_lines(snapshot, now_s), key=_order)
    old_since_s = snapshot.time_s if snapshot.not_judged else None
    if not lines:
        level, headline = Level.SAFE, "All dry"
        if not [zone for zone in snapshot.zones if zone.kind != "outdoor"]:
            level, headline = Level.UNKNOWN, "Nothing is measured yet"
    else:
        level = lines[0].level
        headline = _HEADLINES[(level, lines[0].calls_for or lines[0].kind)]
    if old_since_s is not None and level is not Level.DANGER:
        level, headline = Level.UNKNOWN, "Not known now"
    return Headline(
        level, headline, tuple(lines[:SHOWN_LINES]), max(0, len(lines) - SHOWN_LINES), old_since_s
    )


def _order(line: HeadlineRow) -> tuple[int, int, float]:
    return risk_rank(line.level), _KIND_RANK[line.kind], line.since_s or line.by_s or 0.0


def _lines(snapshot: Picture, now_s: float) -> Iterable[HeadlineRow]:
    yield from _body_lines(snapshot.bodies)
    told = [(body.zone, risk_rank(body.level)) for body in snapshot.bodies if body.level is not Level.SAFE]
    held = {body.zone for body in snapshot.bodies} | {package.zone for package in snapshot.packages}
    for zone in snapshot.zones:
        # Outdoor air is always shown, but only what it does to the shop counts.
        counts = (zone.kind != "outdoor" or zone.id in held) and zone.level is not Level.SAFE
        said = any(place == zone.id and rank <= risk_rank(zone.level) for place, rank in told)
        if counts and not said:
            act = zone.action or (LOOK if zone.level is Level.UNKNOWN else "")
            due = "desiccant" if zone.reason.startswith("desiccant due") else ""
            yield HeadlineRow(
                zone.level, "zone", zone.id, "", (zone.name,), zone.reason, zone.since_s, act, calls_for=due
            )
    yield from _package_lines(snapshot.packages)
    yield from _shift_lines(snapshot.shifts, snapshot.actions, now_s)


def _body_lines(bodies: Sequence[BodyNow]) -> Iterable[HeadlineRow]:
    """Bodies of one kind in one place that need the same thing are one line, not forty."""
    groups: dict[tuple[Level, str, str, str], list[BodyNow]] = {}
    for body in bodies:
        if body.level is not Level.SAFE:
            groups.setdefault((body.level, body.zone, body.kind, body.action), []).append(body)
    for (level, zone, kind, action), group in groups.items():
        first = min(group, key=lambda body: body.since_s)
        names = tuple(body.name for body in group)
        yield HeadlineRow(level, "body", zone, f"{kind}s", names, first.reason, first.since_s, action)


def _package_lines(packages: Sequence[PackageNow]) -> Iterable[HeadlineRow]:
    groups: dict[tuple[Level, str, str, str], list[PackageNow]] = {}
    for package in packages:
        if package.level is not Level.SAFE:
            key = (package.level, package.zone, package_words(package), package.action)
            groups.setdefault(key, []).append(package)
    for (level, zone, words, action), group in groups.items():
        names = tuple(package.name for package in group)
        # A code may bar an overdue wire from some work only; the headline must not say more than the action.
        barred = level is not Level.DANGER or action.startswith(("Do not weld", "Withdraw"))
        calls_for = "" if barred else "over"
        yield HeadlineRow(level, "package", zone, "packages", names, words, None, action, calls_for=calls_for)


def package_words(package: PackageNow) -> str:
    """How a package stands, in words that need no other page; what is over its hours is said to be so."""
    over = package.verdict == "over" and package.limit_h is not None and package.used_h > package.limit_h
    if over:
        return f"{package.limit_h:g} h used up"
    return package.verdict


def hours_words(package: PackageNow, show: Show) -> str:
    """How many of its hours are used, whose hours they are, and what of them nobody measured."""
    used = f"{package.used_h:.1f}"
    said = f"{used} h open"
    if package.limit_h is not None:
        said = f"{used} of {package.limit_h:g} h ({package.rule})"
    unknown = f" {show.hours(package.unknown_h)} of it without a sensor, counted in full."
    return f"{said}.{unknown if package.unknown_h >= 0.05 else ''}"


def rack_word(thing: Thing) -> str:
    """How a thing of the rack stands, in one word or so; what is not known is not said to be usable."""
    if thing.judged is None:
        return "not judged yet"
    if thing.level is Level.UNKNOWN:
        return RISK[Level.UNKNOWN].word
    if isinstance(thing.judged, PackageNow):
        return package_words(thing.judged).capitalize()
    return f"{RISK[thing.level].word}, {thing.judged.reason}"


def _shift_lines(
    shifts: Sequence[ShiftNow], actions: Sequence[ActionNow], now_s: float
) -> Iterable[HeadlineRow]:
    first = next((action for action in sorted(actions, key=lambda a: a.by_s) if not action.done), None)
    for shift in shifts:
        soon = shift.end_s > now_s and shift.start_s < now_s + SHIFT_HORIZON_S
        if soon and shift.level in (Level.DANGER, Level.CAUTION):
            act, by_s = (first.text, first.by_s) if first is not None else ("", None)
            names = (f"{shift.name[:1].upper()}{shift.name[1:]} shift",)
            yield HeadlineRow(Level.CAUTION, "shift", "", "", names, shift.reason, shift.start_s, act, by_s)
            return


def set_apart(alarms: Sequence[AlarmNow]) -> list[AlarmNow]:
    """Those shelved, suppressed by design or out of service."""
    return [alarm for alarm in alarms if alarm.state in SET_APART]


def zones_in_order(zones: Sequence[ZoneNow]) -> list[ZoneNow]:
    """As the settings list them, outdoor air last: a place on the screen does not jump about."""
    return sorted(zones, key=lambda zone: zone.kind == "outdoor")


def worst_zones_first(zones: Sequence[ZoneNow]) -> list[ZoneNow]:
    """Those that a phone shows unfolded, then the others in their own order."""
    ordered = zones_in_order(zones)
    unsafe = [zone for zone in ordered if zone.kind != "outdoor" and zone.level is not Level.SAFE]
    first = sorted(unsafe, key=lambda zone: risk_rank(zone.level))[:PHONE_ROWS]
    return first + [zone for zone in ordered if zone not in first]


def packages_in_order(packages: Sequence[PackageNow]) -> list[PackageNow]:
    """Worst first, then the one with the least time left."""

    def left_h(package: PackageNow) -> float:
        return float("inf") if package.limit_h is None else package.limit_h - package.used_h

    return sorted(packages, key=lambda package: (risk_rank(package.level), left_h(package), package.name))


def bodies_in_order(bodies: Sequence[BodyNow]) -> list[BodyNow]:
    """Worst first, then by margin."""
    return sorted(
        bodies,
        key=lambda b: (risk_rank(b.level), b.margin_k if b.margin_k is not None else -99.0, b.name),
    )


def sensors_of(snapshot: Picture) -> list[tuple[ZoneNow, SensorHealth]]:
    """Every sensor with its zone, the sickest first."""
    pairs = [(zone, sensor) for zone in snapshot.zones for sensor in zone.sensors]
    return sorted(pairs, key=lambda pair: (HEALTH[pair[1].status].rank, pair[0].name, pair[1].sensor))


def health_counts(snapshot: Picture) -> list[tuple[SensorStatus, int]]:
    """How many sensors have each status, the sickest first; statuses nobody has are left out."""
    found = [sensor.status for _, sensor in sensors_of(snapshot)]
    return [(status, found.count(status)) for status in HEALTH if status in found]


def levels_words(things: Iterable[ZoneNow | BodyNow | PackageNow | Thing]) -> str:
    """How many stand at which level, the worst first: "2 danger, 1 not known, 4 safe"."""
    count = Counter(one.level for one in things)
    return ", ".join(f"{count[level]} {RISK[level].word.lower()}" for level in sorted(count, key=risk_rank))
