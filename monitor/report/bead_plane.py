"""Beads on the plane of open hours and dew point, with the lines on which the fit puts a chance of pores."""

import math
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass

from monitor.beads.evidence import BeadEvidence, EvidenceRules, EvidenceState, bead_evidence, evidence_rules
from monitor.history.bead_records import BeadMade, beads_made
from monitor.history.unknown_hours import HOUR_S
from monitor.model.event import EventKind
from monitor.model.shop_units import celsius, degrees
from monitor.report.chart import AxisTick, place
from monitor.report.sheet import Sheet, Writing
from monitor.report.week_chart import DAY_INK, FONT, GRID_INK, INK, svg_rule, svg_text
from monitor.settings.reference import load_toml
from monitor.store.contract import Ledger

TOLD = (EventKind.BEAD, EventKind.PACKAGE, EventKind.CORRECTION)
STEPS = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
HALF = 0.5
ROWS = 5  # of type beside so low a plot
WIDTH, HEIGHT, LEFT, RIGHT, TOP, FOOT = 640.0, 104.0, 44.0, 90.0, 18.0, 20.0


@dataclass(frozen=True, slots=True)
class BeadMark:
    """One bead on the plane, right and down from its upper left corner (0 to 1)."""

    right: float
    down: float
    sound: bool
    own: bool  # of what the page or the record is about
    words: str

    @property
    def x(self) -> str:
        """Across, as SVG reads it."""
        return f"{100 * self.right:.2f}%"

    @property
    def y(self) -> str:
        """In the plot's frame, as SVG reads it."""
        return place(self.down)


@dataclass(frozen=True, slots=True)
class BeadPlane:
    """The plane ready to be drawn; `lines` are a chance in words and both ends of its line."""

    hour_ticks: tuple[AxisTick, ...]  # across, 0 to 1
    dew_ticks: tuple[AxisTick, ...]
    marks: tuple[BeadMark, ...]
    lines: tuple[tuple[str, tuple[float, float], tuple[float, float]], ...]
    hour_ends: tuple[float, float]
    dew_ends: tuple[float, float]  # in the shop's unit

    def down(self, dew_point: float) -> float:
        """How far down a dew point in the shop's unit lies."""
        low, high = self.dew_ends
        return (high - dew_point) / (high - low)


def bead_plane(
    beads: Sequence[BeadMade],
    own: Callable[[BeadMade], bool],
    found: BeadEvidence,
    rules: EvidenceRules,
    writing: Writing,
) -> BeadPlane:
    """All beads with known hours and dew point; `own` says which are told apart from the rest."""
    known = [(one, one.point) for one in beads]
    points = [(one, point) for one, point in known if point is not None]
    hours = [point.open_s / HOUR_S for _, point in points]
    dews = [degrees(point.dew_point_c, fahrenheit=writing.fahrenheit) for _, point in points]
    across, up = _ends([0.0, *hours]), _ends(dews)
    marks = tuple(
        BeadMark(
            (hour - across[0]) / (across[1] - across[0]),
            (up[1] - dew) / (up[1] - up[0]),
            point.sound,
            own(one),
            f"{'sound' if point.sound else 'porous'}, {hour:.1f} h open, {dew:.1f} {writing.degree}",
        )
        for (one, point), hour, dew in zip(points, hours, dews, strict=True)
    )
    return BeadPlane(
        _ticks(across, lambda value: (value - across[0]) / (across[1] - across[0])),
        _ticks(up, lambda value: (up[1] - value) / (up[1] - up[0])),
        marks,
        tuple(_lines(found, rules, (across[0], across[1]), (up[0], up[1]), writing)),
        (across[0], across[1]),
        (up[0], up[1]),
    )


def _lines(
    found: BeadEvidence,
    rules: EvidenceRules,
    hours: tuple[float, float],
    dews: tuple[float, float],
    writing: Writing,
) -> Iterator[tuple[str, tuple[float, float], tuple[float, float]]]:
    """Where the fit puts the tolerated chance and one half; nothing where it is not sure of the hours."""
    fit = found.fit
    if fit is None or found.state is not EvidenceState.FITTED or fit.sure_of(1) < rules.sure_enough_frac:
        return
    b0, per_h, per_c = fit.coefficients
    for chance in (rules.tolerated_frac, HALF):
        score = math.log(chance / (1.0 - chance)) - b0
        ends = []
        for dew in dews:
            hour = (
                (score - per_c * celsius(dew, fahrenheit=writing.fahrenheit)) / per_h if per_h else math.inf
            )
            if hours[0] <= hour <= hours[1]:
                ends.append((hour, dew))
        for hour in hours:
            dew_c = (score - per_h * hour) / per_c if per_c else math.inf
            dew = degrees(dew_c, fahrenheit=writing.fahrenheit)
            if dews[0] < dew < dews[1]:
                ends.append((hour, dew))
        if len(ends) >= 2:
            first, second = (
                ((hour - hours[0]) / (hours[1] - hours[0]), (dews[1] - dew) / (dews[1] - dews[0]))
                for hour, dew in sorted(ends)[:: len(ends) - 1]
            )
            yield f"{chance:.0%}", first, second


def _ends(values: Sequence[float]) -> tuple[float, float, float]:
    """Round ends that hold every value, and the step between ticks."""
    low, high = min(values), max(values)
    step = next((one for one in STEPS if max(high - low, 1.0) / one <= 6.0), STEPS[-1])
    low, high = step * math.floor(low / step), step * math.ceil(high / step)
    return low, high if high > low else low + step, step


def _ticks(ends: tuple[float, float, float], at: Callable[[float], float]) -> tuple[AxisTick, ...]:
    low, high, step = ends
    values = [low + n * step for n in range(round((high - low) / step) + 1)]
    return tuple(AxisTick(f"{value:g}".replace("-", "−"), at(value)) for value in values)


def plane_of(ledger: Ledger, packages: Collection[str], writing: Writing) -> BeadPlane | None:
    """Some packages' beads among all of the shop; None where none of theirs has hours and dew point."""
    beads = beads_made(ledger.events(kinds=TOLD))
    if not any(one.package in packages and one.point is not None for one in beads):
        return None
    rules = evidence_rules(load_toml("evidence.toml"))
    points = [one.point for one in beads if one.point is not None]
    found = bead_evidence(points, rules.usual_dew_point_c, rules)
    return bead_plane(beads, lambda one: one.package in packages, found, rules, writing)


def packages_of(sheet: Sheet) -> set[str]:
    """The packages whose beads a sheet lists."""
    table = next((one for one in sheet.sections if one.id == "beads"), None)
    return set() if table is None else {row[table.columns.index("package")] for row in table.rows} - {""}


def plane_svg(plane: BeadPlane, writing: Writing) -> str:
    """The plane for paper: one SVG that needs no style sheet and no screen."""
    wide, high = WIDTH - LEFT - RIGHT, HEIGHT - TOP - FOOT

    def x(right: float) -> float:
        return LEFT + wide * right

    def y(down: float) -> float:
        return TOP + high * down

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" font-family="{FONT}" '
        'font-size="11.5">',
        svg_text(LEFT, TOP - 7.0, f"Dew point, {writing.degree}, over open hours", weight="bold"),
    ]
    for tick in plane.dew_ticks[:: 1 + len(plane.dew_ticks) // ROWS]:
        parts.append(svg_rule(x(0.0), y(tick.y), x(1.0), y(tick.y), GRID_INK))
        parts.append(svg_text(LEFT - 5.0, y(tick.y) + 4.0, tick.label, "end"))
    for tick in plane.hour_ticks:
        parts.append(svg_rule(x(tick.y), y(0.0), x(tick.y), y(1.0), GRID_INK))
        parts.append(svg_text(x(tick.y), y(1.0) + 15.0, tick.label, "middle"))
    for words, first, second in plane.lines:
        parts.append(svg_rule(x(first[0]), y(first[1]), x(second[0]), y(second[1]), INK, "5 3"))
        right, down = max(first, second)
        parts.append(svg_text(x(right) + 4.0, y(down) + 4.0, words))
    marks = sorted(plane.marks, key=lambda one: one.own)
    return "".join([*parts, *(_sign(x(one.right), y(one.down), one) for one in marks), "</svg>"])


def _sign(x: float, y: float, mark: BeadMark) -> str:
    ink, thick = (INK, 2.4) if mark.own else (DAY_INK, 1.0)
    drawn = f'fill="none" stroke="{ink}" stroke-width="{thick}"/>'
    if mark.sound:
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" {drawn}'
    return f'<path d="M{x - 4:.1f} {y - 4:.1f}l8 8m-8 0l8 -8" {drawn}'
