"""One line a shift: hours sweating and humid, the worst hour, what nobody knew, what was done.

Sweating and humid hours come from the buckets that the week's page sums, so both say the same.
"""

from bisect import bisect_left
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from monitor.history.unknown_hours import HOUR_S, Stretches, unknown_h
from monitor.model.event import Event, EventKind
from monitor.model.shift_span import ShiftSpan
from monitor.outlook.warning import Score
from monitor.report.performance_sheet import told_notices
from monitor.report.told_outlook import told_shifts
from monitor.report.warning_lives import WarningLife
from monitor.report.zone_series import WIDTH_S, ZoneSeries, worst_margin
from monitor.store.contract import Bucket

WIDTH_H = WIDTH_S / HOUR_S
DONE = "done"


@dataclass(frozen=True, slots=True)
class WorstHour:
    """The hour of a shift in which steel came closest to the dew point, or lay furthest below it."""

    start_s: float
    zone: str
    body: str
    margin_k: float


@dataclass(frozen=True, slots=True)
class ShiftLine:
    """One shift of a site, all its zones together; None where nothing was measured that could say it."""

    shift: ShiftSpan
    until_s: float  # its end, or now where it is not over
    sweating_h: float | None
    humid_h: float | None
    worst: WorstHour | None
    unknown_h: float  # hours in which the air of at least one zone, or some steel, was not known
    warnings: int  # each thing's own
    messages: int  # that told people of them
    unanswered: int  # by the end of the shift
    done: int  # things of the plan ticked off in it
    score: Score | None = None  # what had been told of it, and whether it was humid by the outlook's own rule

    @property
    def over(self) -> bool:
        """Whether the shift has ended."""
        return self.until_s >= self.shift.end_s


def shift_lines(
    shifts: Iterable[ShiftSpan],
    zones: Sequence[ZoneSeries],
    limits: Mapping[str, float],
    happened: tuple[Sequence[WarningLife], Sequence[Event], Sequence[Event]],
    now_s: float,
) -> list[ShiftLine]:
    """A line for each shift that has begun; `limits` by zone, `happened`: warnings, plans, messages."""
    lives, taps, deliveries = happened
    scores, notices = told_shifts(taps), told_notices(deliveries)
    unknown = _together([*(one.unknown for one in zones), _unjudged(zones)])
    wet = _told(zones, _sweats)
    damp = _told(zones, lambda one: {b.start_s: b.mean > limits[one.zone.id] for b in one.humidity})
    found = []
    for shift in sorted(shifts, key=lambda one: one.start_s):
        if shift.start_s >= now_s:
            continue
        until_s = min(shift.end_s, now_s)
        inside = (shift.start_s, until_s)
        given = [one for one in lives if shift.start_s <= one.given_s < until_s]
        open_ = [one for one in given if one.answered_s is None or one.answered_s >= until_s]
        ticks = [
            one
            for one in taps
            if one.kind is EventKind.PLAN and one.body.get("entry") == DONE and _in(one.time_s, inside)
        ]
        found.append(
            ShiftLine(
                shift=shift,
                until_s=until_s,
                sweating_h=_hours(wet, inside),
                humid_h=_hours(damp, inside),
                worst=_worst(zones, inside),
                unknown_h=unknown_h(unknown, *inside),
                warnings=len(given),
                messages=len({one.key for one in notices if _in(one.time_s, inside)}),
                unanswered=len(open_),
                done=len({one.subject for one in ticks}),
                score=scores.get(shift.id),
            )
        )
    return found


def _in(time_s: float, inside: tuple[float, float]) -> bool:
    return inside[0] <= time_s < inside[1]


def _sweats(one: ZoneSeries) -> dict[float, bool]:
    return {bucket.start_s: bucket.mean <= 0.0 for bucket in worst_margin(one)}


def _unjudged(zones: Sequence[ZoneSeries]) -> Stretches:
    """Gaps in what is stored of a cylinder or plate, wherever it stood."""
    starts: dict[str, set[float]] = {}
    for one in zones:
        for body, buckets in one.margins.items():
            starts.setdefault(body, set()).update(bucket.start_s for bucket in buckets)
    return tuple(
        (before_s + WIDTH_S, after_s)
        for found in starts.values()
        for before_s, after_s in pairwise(sorted(found))
        if after_s - before_s > 2.0 * WIDTH_S
    )


def _told(zones: Sequence[ZoneSeries], of: Callable[[ZoneSeries], Mapping[float, bool]]) -> dict[float, bool]:
    """By the start of a bucket: whether it holds in any zone; nothing where no zone could say."""
    known: dict[float, bool] = {}
    for one in zones:
        for start_s, holds in of(one).items():
            known[start_s] = known.get(start_s, False) or holds
    return known


def _hours(known: Mapping[float, bool], inside: tuple[float, float]) -> float | None:
    found = [holds for start_s, holds in known.items() if _in(start_s, inside)]
    return WIDTH_H * sum(found) if found else None


def _worst(zones: Sequence[ZoneSeries], inside: tuple[float, float]) -> WorstHour | None:
    least: WorstHour | None = None
    for one in zones:
        for body, buckets in one.margins.items():
            for start_s, margin_k in _by_hour(buckets, inside):
                if least is None or margin_k < least.margin_k:
                    least = WorstHour(start_s, one.zone.id, body, margin_k)
    return least


def _by_hour(buckets: Sequence[Bucket], inside: tuple[float, float]) -> list[tuple[float, float]]:
    hours: dict[float, list[Bucket]] = {}
    first, last = (bisect_left(buckets, time_s, key=lambda bucket: bucket.start_s) for time_s in inside)
    for bucket in buckets[first:last]:
        hours.setdefault(bucket.start_s // HOUR_S * HOUR_S, []).append(bucket)
    return [
        (start_s, sum(b.mean * b.n for b in part) / sum(b.n for b in part)) for start_s, part in hours.items()
    ]


def _together(stretches: Sequence[Stretches]) -> Stretches:
    """The stretches in which at least one was unknown."""
    found: list[tuple[float, float]] = []
    for start_s, end_s in sorted(pair for part in stretches for pair in part):
        if found and start_s <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], end_s))
        else:
            found.append((start_s, end_s))
    return tuple(found)
