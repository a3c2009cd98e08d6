"""The week's chart for paper: one SVG that needs no style sheet, no script and no screen."""

import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from html import escape

from monitor.model.shift_span import ShiftSpan
from monitor.report.chart import (
    X_FULL,
    Y_FULL,
    ChartLimit,
    Panel,
    Trace,
    Window,
    drawn_holes,
    panel,
    spread_labels,
)
from monitor.report.sheet import Writing
from monitor.report.zone_series import ZoneSeries, coarser, worst_margin
from monitor.store.contract import Bucket

WIDTH, PANEL, LEFT, RIGHT, HEAD, FOOT = 1000.0, 96.0, 34.0, 112.0, 18.0, 8.0
DRAWN_S = 3_600.0  # paper is read by eye
OVERLAID = 6
INKS = ("#0b5cad", "#9c4a00", "#00705a", "#8a2a78", "#3f4650", "#5b3fc0")
DASHES = ("", "9 4", "3 4", "12 4 3 4", "", "5 3")
FONT = "DejaVu Sans, Liberation Sans, sans-serif"
LABEL_APART = 0.145
NAME_LETTERS = 18  # more do not fit beside the plot; the tables have them whole
LAST_PANEL = "dew"
INK, SHIFT_INK, GRID_INK, DAY_INK = "#101418", "#e6e9ec", "#cfd4d9", "#8a929b"


@dataclass(frozen=True, slots=True)
class ChartSetting:
    """What is drawn beside the lines: shifts, days with their names, and the limits."""

    shifts: Sequence[ShiftSpan]
    days: Sequence[tuple[float, str]]
    humidity_limits: Sequence[float]
    caution_k: float


def drawn_zones(zones: Sequence[ZoneSeries]) -> list[ZoneSeries]:
    """As many as can be told apart: those whose steel came closest to the dew point, in their own order."""
    stored = [one for one in zones if one.dew_point or one.humidity]
    lowest = {one.zone.id: min((b.mean for b in worst_margin(one)), default=math.inf) for one in stored}
    chosen = sorted(lowest, key=lambda zone: lowest[zone])[:OVERLAID]
    return [one for one in stored if one.zone.id in chosen]


def week_chart(zones: Sequence[ZoneSeries], window: Window, setting: ChartSetting, units: Writing) -> str:
    """Coldest surface, humidity and dew point, zone by zone; empty where nothing is stored."""
    drawn = drawn_zones(zones)
    if not drawn:
        return ""
    panels = _panels(drawn, window, setting, units)
    height = len(panels) * (HEAD + PANEL) + FOOT
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {height:g}" '
        f'font-family="{FONT}" font-size="11.5">'
    ]
    for n, one in enumerate(panels):
        top = HEAD + n * (HEAD + PANEL)
        parts.append(svg_text(LEFT, top - 5.0, f"{one.title}, {one.unit}", weight="bold"))
        parts += _plot(one, drawn, Frame(window, top), setting)
    parts.append("</svg>")
    return "".join(parts)


def _panels(
    drawn: Sequence[ZoneSeries], window: Window, setting: ChartSetting, units: Writing
) -> list[Panel]:
    def trace(n: int, buckets: Sequence[Bucket], convert: Callable[[float], float]) -> Trace:
        shown = [
            Bucket(b.start_s, b.n, convert(b.minimum), convert(b.mean), convert(b.maximum))
            for b in coarser(buckets, DRAWN_S)
        ]
        return Trace(drawn[n].zone.name, n, shown, 1.5 * DRAWN_S)

    caution = units.spread(setting.caution_k)
    found = []
    margins = [(n, worst_margin(one)) for n, one in enumerate(drawn) if one.margins]
    if margins:
        lines = [ChartLimit("dew point", 0.0), ChartLimit(f"+{caution:.1f} {units.degree}", caution)]
        found.append(
            panel(
                "margin",
                "Coldest surface",
                f"{units.degree} above its dew point",
                window,
                [trace(n, buckets, units.spread) for n, buckets in margins],
                lines,
            )
        )
    wet = [trace(n, one.humidity, lambda value: 100.0 * value) for n, one in enumerate(drawn)]
    limits = [ChartLimit(f"limit {100 * one:.0f} %", 100.0 * one) for one in setting.humidity_limits]
    found.append(panel("wet", "Relative humidity", "%", window, wet, limits))
    dew = [trace(n, one.dew_point, units.degrees) for n, one in enumerate(drawn)]
    found.append(panel("dew", "Dew point", units.degree, window, dew, []))
    return found


@dataclass(frozen=True, slots=True)
class Frame:
    """Where one plot lies on the drawing."""

    window: Window
    top: float
    high: float = PANEL - 12.0

    def x(self, time_s: float) -> float:
        """A moment."""
        return LEFT + (WIDTH - LEFT - RIGHT) * self.window.x(time_s)

    def y(self, share: float) -> float:
        """A height, 0 top to 1 bottom."""
        return self.top + self.high * share

    def path(self, path: str) -> str:
        """A line of the panel, whose own space is X_FULL by Y_FULL."""
        wide = (WIDTH - LEFT - RIGHT) / X_FULL

        def placed(found: re.Match[str]) -> str:
            return f"{LEFT + wide * float(found[1]):.1f} {self.y(float(found[2]) / Y_FULL):.1f}"

        return re.sub(r"(\d+) (\d+)", placed, path)


def _plot(one: Panel, drawn: Sequence[ZoneSeries], frame: Frame, setting: ChartSetting) -> Iterator[str]:
    right, bottom = WIDTH - RIGHT, frame.y(1.0)
    for shift in setting.shifts:
        left = frame.x(shift.start_s)
        yield _box(left, frame.top, frame.x(shift.end_s) - left, frame.high, SHIFT_INK)
    for tick in one.ticks:
        yield svg_rule(LEFT, frame.y(tick.y), right, frame.y(tick.y), GRID_INK)
        yield svg_text(LEFT - 4.0, frame.y(tick.y) + 3.5, tick.label, "end")
    for start_s, name in setting.days:
        yield svg_rule(frame.x(start_s), frame.top, frame.x(start_s), bottom, DAY_INK)
        if one.id == LAST_PANEL:
            yield svg_text(frame.x(start_s) + 3.0, bottom + 12.0, name)
    for limit in one.limits:
        yield svg_rule(LEFT, frame.y(limit.y), right, frame.y(limit.y), INK, "2 3")
    for line in one.lines:
        dash = f' stroke-dasharray="{DASHES[line.style]}"' if DASHES[line.style] else ""
        yield (
            f'<path d="{frame.path(line.path)}" fill="none" stroke="{INKS[line.style]}" stroke-width="1.7" '
            f'stroke-linejoin="round" stroke-linecap="round"{dash}/>'
        )
    unknown = sorted(pair for zone in drawn for pair in zone.unknown)
    for start_s, end_s in drawn_holes(unknown, frame.window):
        left = frame.x(start_s)
        yield _box(left, bottom - 3.0, max(0.6, frame.x(end_s) - left), 3.0, INK)
    yield from _ends(one, frame)


def _ends(one: Panel, frame: Frame) -> Iterator[str]:
    """The names at the ends of lines and limits, none over another."""
    ended = [(line.end_y, line.label, INKS[line.style]) for line in one.lines if line.end_y is not None]
    ended += [(limit.y, limit.label, INK) for limit in one.limits]
    places = spread_labels([y for y, _, _ in ended], LABEL_APART)
    for (_, label, ink), y in zip(ended, places, strict=True):
        yield svg_text(WIDTH - RIGHT + 5.0, frame.y(y) + 3.5, label[:NAME_LETTERS], ink=ink)


def svg_text(
    x: float, y: float, words: str, anchor: str = "start", ink: str = INK, weight: str = "normal"
) -> str:
    """Words on paper."""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{ink}" font-weight="{weight}">'
        f"{escape(words)}</text>"
    )


def svg_rule(x1: float, y1: float, x2: float, y2: float, ink: str, dash: str = "") -> str:
    """A thin line on paper."""
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{ink}" '
        f'stroke-width="0.7"{dashed}/>'
    )


def _box(x: float, y: float, width: float, height: float, ink: str) -> str:
    return f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" fill="{ink}"/>'
