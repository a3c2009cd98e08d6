"""Joins humid shifts that follow each other into spells, so that a phone hears of a spell once a day."""

from collections.abc import Iterator, Sequence

from monitor.model.picture import ShiftNow
from monitor.outlook.telling import Telling

HOUR_S = 3600.0


def spells(
    shifts: Sequence[ShiftNow], limit: float, standing: frozenset[str], telling: Telling
) -> Iterator[list[ShiftNow]]:
    """Runs of shifts of one site that look humid, with no dry shift and no long rest between them."""
    run: list[ShiftNow] = []
    for shift in sorted(shifts, key=lambda shift: (shift.site, shift.start_s)):
        humid = shift.id in standing or (
            shift.probability_frac is not None and shift.probability_frac > limit
        )
        if run and (
            not humid
            or shift.site != run[-1].site
            or shift.start_s - run[-1].end_s > telling.apart_h * HOUR_S
        ):
            yield run
            run = []
        if humid:
            run.append(shift)
    if run:
        yield run


def told_now(
    shifts: Sequence[ShiftNow], limit: float, standing: frozenset[str], telling: Telling, now_s: float
) -> frozenset[str]:
    """The shifts whose odds count as a warning now; `standing` are those whose warning stands already.

    The first warning of a shift takes the whole spell with it. What the spell gains at its far end
    later is told once it begins soon, again with all that follows. A shift that has not been
    warned of yet joins only where it is more likely humid than not.
    """
    found = set(standing)
    certain = standing | {shift.id for shift in shifts if shift.warned}
    for run in spells(shifts, max(limit, telling.likely_frac), certain, telling):
        fresh = [shift for shift in run if shift.id not in standing and shift.start_s > now_s]
        begun = any(shift.id in standing for shift in run)
        if any(
            shift.warned and (not begun or shift.start_s - now_s <= telling.again_within_h * HOUR_S)
            for shift in fresh
        ):
            found |= {shift.id for shift in fresh}
    return frozenset(found)
