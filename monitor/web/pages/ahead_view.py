"""What the shift outlook says, row by row, and what would change if a zone were handled otherwise."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from monitor.model.shift_span import ShiftSpan
from monitor.outlook.action import Effect, PlanInputs, effect_of
from monitor.outlook.hourly import HOUR_S
from monitor.outlook.scene import Scene, ZoneAhead
from monitor.outlook.shift_outlook import Crossing, ShiftLimit, ShiftOutlook
from monitor.outlook.whatif import Control
from monitor.web.frame.show import Show

LEAST_FRAC = 0.01  # what is less likely is not listed
MOST_PRESETS = 6
FOLD_FROM = 3  # so many of a kind in one zone are one row


@dataclass(frozen=True, slots=True)
class Row:
    """One limit of one thing, or of several of a kind, and how likely it is crossed."""

    what: str
    zone: str
    names: tuple[str, ...]
    probability_frac: float
    worst_s: float
    clock: bool  # a package's hours: they run out whether or not the air is humid
    used: bool = True  # by the shift; the rest brings no message


@dataclass(frozen=True, slots=True)
class Change:
    """One limit before and under a control."""

    what: str
    before_frac: float
    after_frac: float


@dataclass(frozen=True, slots=True)
class ShiftChange:
    """One shift before and under a control; None where its odds are not known."""

    shift: ShiftSpan
    before_frac: float | None
    after_frac: float | None
    here_frac: tuple[float, float]  # of the zone's air and what stands in it, before and after
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class Preset:
    """A what-if that is asked with one tap."""

    label: str
    query: dict[str, str]


def rows(outlook: ShiftOutlook, scene: Scene | None, show: Show) -> list[Row]:
    """The likeliest first; several bodies of a kind in one zone together, by the likeliest of them."""
    kinds = {} if scene is None else {body.id: body.kind for body in scene.bodies}
    groups: dict[tuple[ShiftLimit, str, str, bool], list[Crossing]] = {}
    for crossing in outlook.crossings:
        if crossing.probability_frac >= LEAST_FRAC:
            kind = kinds.get(crossing.subject, crossing.subject)
            key = crossing.limit, crossing.zone, kind, crossing.used
            groups.setdefault(key, []).append(crossing)
    found = []
    for (limit, _, kind, used), group in groups.items():
        together = [group] if len(group) >= FOLD_FROM else [[one] for one in group]
        for part in together:
            name = part[0].name if len(part) == 1 else f"{len(part)} {kind}s"
            found.append(
                Row(
                    what=words(limit, name, scene, part[0].zone, show),
                    zone=part[0].zone,
                    names=tuple(one.name for one in part) if len(part) > 1 else (),
                    probability_frac=part[0].probability_frac,
                    worst_s=part[0].worst_s,
                    clock=limit is ShiftLimit.CLOCK,
                    used=used,
                )
            )
    return sorted(found, key=lambda row: -row.probability_frac)


def words(limit: ShiftLimit, name: str, scene: Scene | None, zone_id: str, show: Show) -> str:
    """Which limit, with its number."""
    zone = None if scene is None else scene.zones.get(zone_id)
    match limit:
        case ShiftLimit.WET:
            return f"Water on {name}"
        case ShiftLimit.MARGIN:
            near = "the planned margin" if scene is None else show.difference(scene.margin_k)
            return f"{name} within {near} of the dew point"
        case ShiftLimit.HUMIDITY:
            return f"{name} over {_humidity(zone, show)}"
        case ShiftLimit.DEW_POINT:
            return f"{name} over a dew point of {_dew_point(zone, show)}"
        case ShiftLimit.CLOCK:
            return f"{name} over its permitted hours"


def _humidity(zone: ZoneAhead | None, show: Show) -> str:
    return "its limit" if zone is None else show.humidity(zone.limit_humidity_frac)


def _dew_point(zone: ZoneAhead | None, show: Show) -> str:
    return "its limit" if zone is None else show.temperature(zone.limit_dew_point_c)


def what_if(
    questions: PlanInputs, outlooks: Sequence[ShiftOutlook], zone: str, control: Control, show: Show
) -> list[ShiftChange]:
    """Every shift anew, with this zone handled otherwise; the other zones as they were.

    Heat never counts for cylinders and regulators, so that nobody reads it as advice to heat one.
    """
    found = []
    for outlook in outlooks:
        effect = effect_of(questions, outlook, zone, control)
        found.append(_shift_change(questions.scene, effect, outlook, show))
    return found


def _shift_change(scene: Scene, effect: Effect, outlook: ShiftOutlook, show: Show) -> ShiftChange:
    anew = {(one.limit, one.subject): one for one in effect.after}
    changes = (
        Change(
            words(one.limit, one.name, scene, one.zone, show),
            one.probability_frac,
            anew[one.limit, one.subject].probability_frac,
        )
        for one in effect.usual
        if (one.limit, one.subject) in anew
    )
    listed = [one for one in changes if max(one.before_frac, one.after_frac) >= LEAST_FRAC]
    return ShiftChange(
        outlook.shift,
        outlook.probability_frac,
        effect.shift_after_frac,
        (effect.zone_before_frac, effect.zone_after_frac),
        tuple(listed),
    )


def presets(questions: PlanInputs, outlooks: Sequence[ShiftOutlook], show: Show) -> list[Preset]:
    """What can be tried with one tap where something can be done, for the shift likeliest to be humid."""
    coming = [one for one in outlooks if one.shift.end_s > questions.ahead.now_s]
    if not coming:
        return []
    shift = max(coming, key=lambda one: one.probability_frac or 0.0)
    zones = _by_odds(questions, shift.crossings)
    found = [preset for zone in zones for preset in _of_zone(questions, shift.shift, zone, show)]
    return found[:MOST_PRESETS]


def _of_zone(questions: PlanInputs, shift: ShiftSpan, zone: ZoneAhead, show: Show) -> list[Preset]:
    now_s, tz = questions.ahead.now_s, questions.scene.words.zone
    before = {"zone": zone.id, "from_s": f"{now_s:.0f}"}
    found = []
    if zone.has_door:
        middle_s = _full_hour(0.5 * (max(shift.start_s, now_s) + shift.end_s))
        for until_s in sorted({middle_s, _full_hour(shift.end_s)}):
            label = f"{zone.name}: door shut until {show.when(until_s, now_s, tz)}"
            found.append(Preset(label, {**before, "door": "shut", "until_s": f"{until_s:.0f}"}))
    if zone.heat_up_to_c is not None:
        heat = f"{show.degrees(zone.heat_up_to_c):.0f}"
        label = f"{zone.name}: heat to {heat} {show.degree} from now"
        found.append(Preset(label, {**before, "heat": heat}))
    if zone.dry_down_to_frac is not None:
        dry = f"{100 * zone.dry_down_to_frac:.0f}"
        found.append(Preset(f"{zone.name}: dehumidifier to {dry} % from now", {**before, "dry": dry}))
    return found


def _by_odds(questions: PlanInputs, crossings: Iterable[Crossing]) -> list[ZoneAhead]:
    """Zones with a forecast, the one with the likeliest crossing of its air or its bodies first."""
    odds = dict.fromkeys(questions.ahead.air, 0.0)
    for one in crossings:
        if one.zone in odds and one.limit is not ShiftLimit.CLOCK:
            odds[one.zone] = max(odds[one.zone], one.probability_frac)
    return [questions.scene.zones[zone] for zone in sorted(odds, key=lambda zone: -odds[zone])]


def _full_hour(time_s: float) -> float:
    return round(time_s / HOUR_S) * HOUR_S


def hours_ahead(now_s: float, count: int = 36) -> list[float]:
    """The coming full hours, to choose from."""
    first_s = (now_s // HOUR_S + 1) * HOUR_S
    return [first_s + n * HOUR_S for n in range(count)]


def cautions(zone: ZoneAhead, control: Control) -> list[str]:
    """What must not be forgotten when this is done."""
    found = []
    if control.shut_until_s is not None:
        found.append("A closed door keeps damp out and fumes in: extraction and fresh air come first.")
    if control.heat_to_c is not None:
        found.append(
            "Electric or vented heat only: unvented burners add water and carbon monoxide. Never heat a "
            "cylinder; cylinders and regulators are left as they were."
        )
        if zone.heat_up_to_c is None:
            found.append(f"No heater of {zone.name} is in the settings.")
    if control.dry_to_frac is not None and zone.dry_down_to_frac is None:
        found.append(f"No dehumidifier of {zone.name} is in the settings.")
    return found


def assumed(questions: PlanInputs, zone: ZoneAhead, control: Control) -> str:
    """How far the door's effect is known; empty where no door is asked about."""
    if control.shut_until_s is None and control.open_until_s is None:
        return ""
    answer = questions.answers.get(zone.id)
    if answer is None:
        return (
            f"How fast {zone.name} exchanges its air with the outdoors has not been learnt yet, so the door "
            "changes nothing here."
        )
    if answer.measured:
        return "The door’s effect was learnt from its own sensor."
    return (
        f"The door’s effect is assumed (common practice): shut {answer.shut_factor:g} times, open "
        f"{answer.open_factor:g} times the usual exchange of {answer.rate_h:.2f} an hour."
    )
