"""Turns series into the geometry of a chart: paths, ticks, bands and marks; no drawing, no reading.

A plot is stretched to the width of the screen: x runs from 0 to X_FULL, y from 0 (top) to Y_FULL.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from monitor.model.level import Level
from monitor.store.contract import Bucket

X_FULL = 10_000
Y_FULL = 1_000
FRAME_TOP = 4.0  # percent of the drawing's height
FRAME_HEIGHT = 92.0
_STEPS = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
_WANTED_TICKS = 5
_HAIRS = 2_000  # a screen has hardly more columns


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of time that a chart shows, and the width of its buckets."""

    start_s: float
    end_s: float
    width_s: float

    def x(self, time_s: float) -> float:
        """Where a moment lies, 0 to 1, cut at the ends."""
        return min(1.0, max(0.0, (time_s - self.start_s) / (self.end_s - self.start_s)))

    def percent(self, time_s: float) -> str:
        """The same, as SVG reads it."""
        return f"{100 * self.x(time_s):.3f}%"


@dataclass(frozen=True, slots=True)
class Trace:
    """One line of a chart, in shown units."""

    label: str
    style: int
    buckets: Sequence[Bucket]
    gap_s: float  # a longer silence breaks the line
    band: Sequence[Bucket] = ()  # minimum to maximum is how far it may be out; else the spread of one line
    ghost: bool = False  # of another week, drawn in grey behind
    told: bool = False  # as it was foretold, drawn as dashes


@dataclass(frozen=True, slots=True)
class ChartLimit:
    """A horizontal line: what it is, and where; with a risk, what lies below (or above) it is shaded."""

    label: str
    value: float
    risk: Level | None = None
    below: bool = True


@dataclass(frozen=True, slots=True)
class RiskBand:
    """A shaded part of a plot, from y down to `end_y` (0 top … 1 bottom)."""

    level: Level
    y: float
    end_y: float

    @property
    def middle(self) -> str:
        """Its middle in the plot's frame, as SVG reads it."""
        return place((self.y + self.end_y) / 2)


@dataclass(frozen=True, slots=True)
class AxisTick:
    """A mark on the y axis."""

    label: str
    y: float  # 0 top … 1 bottom

    @property
    def place(self) -> str:
        """Where it lies in the plot's frame, as SVG reads it."""
        return place(self.y)


@dataclass(frozen=True, slots=True)
class ChartLine:
    """A trace as a path, its spread as an area, and where it ends."""

    label: str
    style: int
    path: str
    area: str
    end_y: float | None
    ghost: bool = False
    told: bool = False


@dataclass(frozen=True, slots=True)
class Panel:
    """One plot, ready to be drawn."""

    id: str
    title: str
    unit: str
    ticks: tuple[AxisTick, ...]
    limits: tuple[AxisTick, ...]
    lines: tuple[ChartLine, ...]
    low: float
    high: float
    crosses: tuple[tuple[str, str], ...] = ()  # doubtful readings: x and y as SVG reads them
    bands: tuple[RiskBand, ...] = ()


def place(y: float) -> str:
    """A height in the plot's frame, which leaves some room at top and bottom."""
    return f"{FRAME_TOP + FRAME_HEIGHT * y:.2f}%"


def panel(
    id_: str, title: str, unit: str, window: Window, traces: Sequence[Trace], limits: Sequence[ChartLimit]
) -> Panel:
    """Scale the traces and limits into one plot."""
    low, high, step = scale([t for t in traces if t.buckets], [limit.value for limit in limits])
    if unit.startswith("%"):
        low, high = max(low, 0.0), min(high, 100.0)

    def y(value: float) -> float:
        return min(1.0, max(0.0, (high - value) / (high - low)))

    count = round((high - low) / step)
    digits = 1 if step < 1 else 0
    ticks = tuple(
        AxisTick(f"{low + n * step:.{digits}f}".replace("-", "−"), y(low + n * step))
        for n in range(count + 1)
    )
    lines = tuple(_line(trace, window, y, spread=len(traces) == 1) for trace in traces)
    marks = tuple(AxisTick(limit.label, y(limit.value)) for limit in limits)
    return Panel(id_, title, unit, ticks, marks, lines, low, high, bands=_bands(limits, y))


def _bands(limits: Sequence[ChartLimit], y: Callable[[float], float]) -> tuple[RiskBand, ...]:
    """What the limits shade; what lies above all that is shaded from below is left as safe."""
    found: list[RiskBand] = []
    top, bottom = 0.0, 1.0
    for limit in sorted(limits, key=lambda one: one.value):
        if limit.risk is not None and limit.below:
            found.append(RiskBand(limit.risk, y(limit.value), bottom))
            bottom = y(limit.value)
    for limit in sorted(limits, key=lambda one: -one.value):
        if limit.risk is not None and not limit.below:
            found.append(RiskBand(limit.risk, top, y(limit.value)))
            top = y(limit.value)
    # air or hours within their limit are not all there is to being safe; steel clear of the dew point is
    return (*found, RiskBand(Level.SAFE, top, bottom)) if bottom < 1.0 else tuple(found)


def crossed(one: Panel, window: Window, points: Sequence[tuple[float, float]]) -> Panel:
    """The plot with doubtful readings (time, shown value) marked; those off the scale sit at its edge."""

    def y(value: float) -> float:
        return min(1.0, max(0.0, (one.high - value) / (one.high - one.low)))

    return replace(one, crosses=tuple((window.percent(t), place(y(v))) for t, v in points))


def scale(traces: Sequence[Trace], limits: Sequence[float]) -> tuple[float, float, float]:
    """Round ends that hold every value and limit, and the step between ticks."""
    values = [b.mean for trace in traces for b in trace.buckets] + list(limits)
    spreads = [traces[0].buckets] if len(traces) == 1 else []
    for bucket in (b for part in [*spreads, *(trace.band for trace in traces)] for b in part):
        values += [bucket.minimum, bucket.maximum]
    values = [value for value in values if math.isfinite(value)] or [0.0, 1.0]
    low, high = min(values), max(values)
    span = max(high - low, 1.0)
    step = next((s for s in _STEPS if span / s <= _WANTED_TICKS), _STEPS[-1] * math.ceil(span / 500))
    low, high = math.floor(low / step) * step, math.ceil(high / step) * step
    return low, high if high > low else low + step, step


def runs(buckets: Sequence[Bucket], gap_s: float) -> list[list[Bucket]]:
    """The buckets split wherever the silence is longer than `gap_s`."""
    found: list[list[Bucket]] = []
    last_s = -math.inf
    for bucket in buckets:
        if bucket.start_s - last_s > gap_s:
            found.append([])
        found[-1].append(bucket)
        last_s = bucket.start_s
    return found


def drawn_holes(stretches: Iterable[tuple[float, float]], window: Window) -> list[tuple[float, float]]:
    """Stretches as they can be drawn: what lies between two that are nearer than a hair belongs to them."""
    hair_s = (window.end_s - window.start_s) / _HAIRS
    found: list[tuple[float, float]] = []
    for start_s, end_s in stretches:
        if found and start_s - found[-1][1] < hair_s:
            found[-1] = (found[-1][0], end_s)
        else:
            found.append((start_s, end_s))
    return found


def _line(trace: Trace, window: Window, y: Callable[[float], float], *, spread: bool) -> ChartLine:
    middle_s = window.width_s / 2

    def at(bucket: Bucket, value: float) -> str:
        return f"{round(X_FULL * window.x(bucket.start_s + middle_s))} {round(Y_FULL * y(value))}"

    path, area = [], []
    for run in runs(trace.buckets, trace.gap_s):
        points = [at(bucket, bucket.mean) for bucket in run]
        # A single point still shows: a line of no length with round ends.
        path.append("M" + "L".join(points if len(points) > 1 else points * 2))
    for run in runs(trace.band or (trace.buckets if spread else ()), trace.gap_s):
        there = [at(bucket, bucket.maximum) for bucket in run]
        back = [at(bucket, bucket.minimum) for bucket in reversed(run)]
        area.append("M" + "L".join(there + back) + "Z")
    end_y = y(trace.buckets[-1].mean) if trace.buckets else None
    return ChartLine(trace.label, trace.style, "".join(path), "".join(area), end_y, trace.ghost, trace.told)


def spread_labels(positions: Sequence[float], distance: float) -> list[float]:
    """Move labels apart so that none covers another, each as near to its line as can be."""
    order = sorted(range(len(positions)), key=lambda n: positions[n])
    placed: dict[int, float] = {}
    last = -math.inf
    for n in order:
        placed[n] = last = max(positions[n], last + distance)
    ceiling = 1.0
    for n in reversed(order):
        placed[n] = min(placed[n], ceiling)
        ceiling = placed[n] - distance
    return [placed[n] for n in range(len(positions))]
