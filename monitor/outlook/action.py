"""One thing a person can do before a shift, and everything needed to propose it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from monitor.model.shift_span import ShiftSpan
from monitor.outlook.hourly import FloatArray
from monitor.outlook.odds_record import Calibration
from monitor.outlook.scene import Scene
from monitor.outlook.shift_outlook import Ahead, Crossing, ShiftOutlook, crossings_of, humid_courses
from monitor.outlook.whatif import Control, Practice, ZoneAnswer, ahead_under


class ActionKind(StrEnum):
    """What is done."""

    BRING_IN = "bring-in"
    BAG = "bag"
    OVEN = "oven"
    DOOR = "door"
    HEAT = "heat"
    DRY = "dry"
    PURGE = "purge"


@dataclass(frozen=True, slots=True)
class Action:
    """One thing to do by a time; `needs` are the ids of actions it rests on.

    `saves_frac` is how much less likely the harm becomes: to a zone's air and what stands in it, or to the
    thing itself; None for a habit that no odds are computed for.
    """

    id: str
    kind: ActionKind
    shift_id: str
    zone: str
    subjects: tuple[str, ...]
    text: str
    by_s: float
    saves_frac: float | None
    needs: tuple[str, ...] = ()
    caution: str = ""


@dataclass(frozen=True, slots=True)
class PlanInputs:
    """What the planner looks at; `outdoor_pa` stands beside the courses, now first, NaN where unknown."""

    scene: Scene
    ahead: Ahead
    shifts: tuple[ShiftSpan, ...]
    answers: Mapping[str, ZoneAnswer]
    outdoor_pa: FloatArray
    practice: Practice


def leaving_before_s(inputs: PlanInputs, time_s: float) -> float | None:
    """When people last leave before a time at which nobody works; None where somebody does, or has left."""
    own = [shift for shift in inputs.shifts if shift.site == inputs.scene.site]
    if any(shift.start_s <= time_s <= shift.end_s for shift in own):
        return None
    left_s = max((shift.end_s for shift in own if shift.end_s < time_s), default=None)
    return left_s if left_s is not None and left_s > inputs.ahead.now_s else None


# Whatever a heater does to the air, nobody is to read it as advice to heat a cylinder.
UNHEATED_KINDS = frozenset({"cylinder", "regulator"})


def zone_part(inputs: PlanInputs, zone: str, *, heated: bool = False) -> PlanInputs:
    """The same question for one zone alone; for heating, without its cylinders and regulators."""
    scene = inputs.scene
    bodies = tuple(b for b in scene.bodies if b.zone == zone and not (heated and b.kind in UNHEATED_KINDS))
    part = replace(scene, zones={zone: scene.zones[zone]}, bodies=bodies, packages=())
    ahead = inputs.ahead
    kept = {b.id: ahead.bodies[b.id] for b in bodies if b.id in ahead.bodies}
    air = {zone: ahead.air[zone]}
    return replace(inputs, scene=part, ahead=replace(ahead, air=air, bodies=kept))


@dataclass(frozen=True, slots=True)
class Effect:
    """What handling one zone otherwise does to a shift: odds there and in all; None where not known.

    `after` holds the zone's crossings as they then are, `usual` all of the site as they were.
    """

    usual: tuple[Crossing, ...]
    after: tuple[Crossing, ...]
    zone_before_frac: float
    zone_after_frac: float
    shift_after_frac: float | None

    @property
    def saved_frac(self) -> float:
        """How much less likely harm becomes in the zone."""
        return self.zone_before_frac - self.zone_after_frac


def effect_of(inputs: PlanInputs, outlook: ShiftOutlook, zone: str, control: Control) -> Effect:
    """The one answer to plan and what-if: a shift's odds with and without a control.

    Heat never counts for cylinders and regulators: they stay as they were, and so do the other zones.
    """
    part = zone_part(inputs, zone, heated=control.heat_to_c is not None)
    changed = ahead_under(
        part.scene, part.ahead, {zone: control}, part.answers, part.outdoor_pa, part.practice
    )
    usual, after = outlook.crossings, crossings_of(part.scene, changed, outlook.shift)
    anew = {(one.limit, one.subject) for one in after}
    kept = [one for one in usual if (one.limit, one.subject) not in anew]
    here, still = [one for one in usual if one.zone == zone], [one for one in kept if one.zone == zone]
    in_all = humid_courses([*kept, *after])
    return Effect(
        usual,
        after,
        _odds(here, outlook.calibration),
        _odds([*still, *after], outlook.calibration),
        None if in_all is None else outlook.calibration.of(float(in_all.mean())),
    )


def _odds(crossings: Sequence[Crossing], calibration: Calibration) -> float:
    humid = humid_courses(crossings)
    return 0.0 if humid is None else calibration.of(float(humid.mean()))
