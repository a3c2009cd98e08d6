"""What was told and measured of a pack, and what readings show: the evidence that the plain rules go by.

Strictly, two neighbouring readings show what lay between them, when both are there, near enough to each
other, and say it alike. Nothing is shown before the first, after the last, or by one alone. Looser readings
have names.
"""

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field
from itertools import pairwise

HOUR_S = 3600.0
#: Two readings show what lay between them when no further apart than this.
PROBE_GAP_S = 900.0
#: A reading of the air stands until the next, but no longer than this.
AIR_SPEAKS_S = 1800.0
SPEAKS_S = 2100.0
TYPED_S = 12 * HOUR_S
BY_HAND_BAKE_S = HOUR_S
#: Looser readings of the same texts, by name; `answer` can be asked with any of them.
READINGS = {
    "speaks on": "a reading speaks for a while after itself: half an hour of an oven, a quarter of the air",
    "typed": "a number read by hand proves heat for twelve hours, also one from before the pack went in",
    "mean": "of two probes in an oven their mean counts, or the one that speaks",
    "any bag": "every bagging renews the desiccant",
    "sealed again": "an opened pack that is entered as sealed stops for good",
    "cabinet": "a dry cabinet stops a wire's hours",
    "cold oven": "a wire's hours stop in an oven that nobody showed hot",
    "plastic": "an oven does nothing to a spool that is not known to be metal",
    "hold": "a hold of four hours in the oven starts the count anew",
    "ramp": "a bake needs no slow first step",
    "redry only": "heat is seen in the place called redry only",
    "unshown bake": "a bake counts as one only where it was shown",
    "broken bake": "a bake goes on after a gap in its readings, or after too much heat",
    "unknown air": "air that nobody measured is within the test's",
    "into a hot oven": "an oven that its probes and its readers last told hot holds no unknown air",
    "cellulosic": "a coating that is never baked stays usable after an oven",
    "first bag": "a pack's first bag has fresh desiccant though nobody said so",
    "by hand": "an oven read by hand twice in one stay, hot both times, was hot between: twelve hours for "
    "a pause of the hours, one hour in a bake",
    "silent probe": "of two probes in an oven the one that fell silent stands at its last reading",
    "one probe's harm": "of two probes in an oven only the colder one tells of too much heat",
}
ALL = frozenset(READINGS)
Row = tuple[float, ...]
Rows = tuple[Row, ...]


@dataclass(frozen=True)
class Move:
    """From `at_s` on the pack is at `place` in `zone`; `fresh`: somebody put new desiccant into the bag."""

    at_s: float
    place: str
    zone: str
    fresh: bool = False


@dataclass(frozen=True)
class Told:
    """A history: what was entered and what was measured, in the order it was entered."""

    class_id: str
    opened_s: float
    moves: tuple[Move, ...]
    air: dict[str, Rows] = field(default_factory=dict)  # zone: (s, degC, RH 0..1)
    probes: dict[str, tuple[Rows, ...]] = field(default_factory=dict)  # zone: each probe's (s, degC)
    typed: dict[str, Rows] = field(default_factory=dict)  # zone: (s, degC) read by hand
    wet_s: float | None = None
    withdrawn_s: float | None = None
    metal_spool: bool = False
    makers_word: bool = False
    tested_b: tuple[float, float, float] | None = None  # h, and the test's degC and RH
    looser: frozenset[str] = frozenset()  # of READINGS


def between(readings: Rows, start_s: float, end_s: float, gap_s: float) -> tuple[Row, Row] | None:
    """The two neighbouring readings that show the span between them, or None where nobody knows."""
    at = bisect_right(readings, (start_s, math.inf))
    if at == 0 or at == len(readings):
        return None
    before, after = readings[at - 1], readings[at]
    if after[0] < end_s or after[0] - before[0] > gap_s:
        return None
    if any(math.isnan(value) for value in before[1:] + after[1:]):
        return None
    return before, after


def air_at(readings: Rows, at_s: float) -> Row | None:
    """The newest reading of the air that is one and still stands."""
    at = bisect_right(readings, (at_s, math.inf)) - 1
    while at >= 0 and at_s < readings[at][0] + AIR_SPEAKS_S:
        if not any(math.isnan(value) for value in readings[at]):
            return readings[at]
        at -= 1
    return None


def heat(told: Told, zone: str, start_s: float, end_s: float) -> tuple[float, float] | None:
    """(coldest, hottest) degC that all an oven's probes show for a span; None if they do not."""
    spans = [between(readings, start_s, end_s, PROBE_GAP_S) for readings in told.probes.get(zone, ())]
    if "silent probe" in told.looser and any(span is not None for span in spans):
        spans = [
            span or last_of(readings, start_s)
            for readings, span in zip(told.probes[zone], spans, strict=True)
        ]
    if told.looser & {"speaks on", "mean", "typed"}:
        return loosely(told, zone, start_s, end_s, spans)
    if not spans:
        return None
    values = []
    for span in spans:
        if span is None:
            return None
        values += [reading[1] for reading in span]
    return min(values), max(values)


def last_of(readings: Rows, at_s: float) -> tuple[Row, Row] | None:
    """The last reading before a moment, as if it stood; None where there is none."""
    at = bisect_right(readings, (at_s, math.inf))
    return (readings[at - 1],) * 2 if at else None


def by_hand(
    told: Told, stay: tuple[Move, float], start_s: float, end_s: float, most_s: float
) -> tuple[float, float] | None:
    """The same from what somebody read in this stay (its move and its end): two neighbours, one theirs."""
    move, gone_s = stay
    typed = [row for row in told.typed.get(move.zone, ()) if move.at_s <= row[0] < gone_s]
    if not typed:
        return None
    heard = [row for rows in told.probes.get(move.zone, ()) for row in rows if row[0] >= move.at_s]
    before_s = max((row[0] for row in typed + heard if row[0] <= start_s), default=-math.inf)
    after_s = min((row[0] for row in typed + heard if row[0] > start_s), default=math.inf)
    if after_s < end_s or after_s - before_s > most_s:
        return None
    if not any(row[0] in (before_s, after_s) for row in typed):
        return None
    values = [row[1] for row in typed + heard if row[0] in (before_s, after_s)]
    return min(values), max(values)


def loosely(
    told: Told, zone: str, start_s: float, end_s: float, spans: list[tuple[Row, Row] | None]
) -> tuple[float, float] | None:
    """The same by the looser readings of what an oven's readings show."""
    found = [[row[1] for row in span] for span in spans if span is not None]
    if "speaks on" in told.looser:
        found += [
            [rows[at - 1][1]]
            for rows, span in zip(told.probes.get(zone, ()), spans, strict=True)
            if span is None
            and (at := bisect_right(rows, (start_s, math.inf)))
            and start_s < rows[at - 1][0] + SPEAKS_S
        ]
    if not found and "typed" in told.looser:
        found = [[value] for at_s, value in told.typed.get(zone, ()) if at_s <= start_s < at_s + TYPED_S][-1:]
    if not found or (len(found) < len(spans) and "mean" not in told.looser):
        return None
    if "mean" in told.looser:
        middle = sum(min(values) for values in found) / len(found)
        return middle, middle
    return min(min(values) for values in found), max(max(values) for values in found)


def hottest_seen(told: Told, zone: str, start_s: float, end_s: float) -> float:
    """The hottest reading of any probe or hand within a stay."""
    probes = told.probes.get(zone, ())
    if "one probe's harm" in told.looser and len(probes) > 1:
        probes = (min(probes, key=lambda rows: rows[0][1] if rows else math.inf),)
    hottest = -math.inf
    for readings in (*probes, told.typed.get(zone, ())):
        for at_s, value in readings[
            bisect_left(readings, (start_s,)) : bisect_right(readings, (end_s, math.inf))
        ]:
            if at_s <= end_s and value > hottest:  # a NaN is no heat
                hottest = value
    return hottest


def unread_s(told: Told, move: Move, end_s: float) -> float:
    """The longest time of a stay in which nobody and nothing read the oven."""
    times = {move.at_s, end_s}
    for readings in (told.typed.get(move.zone, ()), *told.probes.get(move.zone, ())):
        times.update(row[0] for row in readings if move.at_s < row[0] < end_s and row[1] == row[1])
    return max((after - before for before, after in pairwise(sorted(times))), default=0.0)
