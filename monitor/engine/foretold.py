"""Keeps what was foretold as it was told: hours ahead as points of the series, shifts as events."""

from collections.abc import Iterator

import numpy as np

from monitor.core.derived_series import ZONE
from monitor.model.event import EventKind, NewEvent
from monitor.model.reading import Point, Quantity, SeriesKey
from monitor.outlook.courses import spread
from monitor.outlook.hourly import HOUR_S, FloatArray
from monitor.outlook.scene import Scene
from monitor.outlook.shift_outlook import Ahead
from monitor.outlook.warning import SCORED, Score
from monitor.physics.saturation import dew_point_c

_DEW = (Quantity.DEW_POINT_TOLD_LOW, Quantity.DEW_POINT_TOLD, Quantity.DEW_POINT_TOLD_HIGH)
_MARGIN = (Quantity.MARGIN_TOLD_LOW, Quantity.MARGIN_TOLD, Quantity.MARGIN_TOLD_HIGH)


def foretold_points(scene: Scene, ahead: Ahead) -> list[Point]:
    """The hour that is the charted lead away, as it is foretold now, dated at its middle.

    No look with less time to act touches it; of two that fall into one hour the later stands.
    """
    found: list[Point] = []
    for zone, course in ahead.air.items():
        dew = dew_point_c(course.vapour_pressure_pa)
        found += _points(scene, (zone, ZONE), _DEW, course.times_s, dew)
    for placed in scene.bodies:
        body = ahead.bodies.get(placed.id)
        if body is not None:
            found += _points(scene, (placed.zone, placed.id), _MARGIN, body.times_s, body.margin_k)
    return found


def _points(
    scene: Scene,
    of: tuple[str, str],
    quantities: tuple[Quantity, ...],
    times_s: FloatArray,
    courses: FloatArray,
) -> Iterator[Point]:
    row = round(scene.telling.charted_lead_h)
    if row < times_s.size:
        middle_s = float(times_s[row]) - 0.5 * HOUR_S
        values = spread(courses[:, row])
        for quantity, value in zip(quantities, values, strict=True):
            if np.isfinite(value):
                yield Point(SeriesKey(*of, quantity), middle_s, float(value))


def scored_event(done: Score, now_s: float) -> NewEvent:
    """How a shift came out beside what was told of it, for the record."""
    shift = done.shift
    body: dict[str, object] = {
        "entry": SCORED,
        "outcome": str(done.outcome),
        "site": shift.site,
        "name": shift.name,
        "start_s": shift.start_s,
        "end_s": shift.end_s,
        "lead_s": done.lead_s,
        "withdrawn": done.withdrawn,
        "shown_frac": done.shown_frac,
    }
    return NewEvent(EventKind.PLAN, shift.id, now_s, "dryshift", body, key=f"{shift.id}/{SCORED}")
