"""The shop's own beads as evidence: sound and porous against exposure and dew point, with the fit's doubt."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Annotated

import numpy as np
from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from monitor.beads.evidence import BeadEvidence, BeadPoint, bead_evidence, evidence_rules
from monitor.history.bead_records import BeadMade, bead_points, beads_made
from monitor.model.event import EventKind
from monitor.model.shop_units import celsius
from monitor.report.chart import X_FULL, Y_FULL, AxisTick, place
from monitor.settings.reference import load_toml
from monitor.web.frame.deps import WebDeps
from monitor.web.frame.page import Web
from monitor.web.frame.show import Show

STEPS = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)


@dataclass(frozen=True, slots=True)
class BeadMark:
    """One bead on the plot, as SVG reads it."""

    x: str
    y: str
    sound: bool
    words: str


@dataclass(frozen=True, slots=True)
class Plot:
    """Beads over hours and dew point, and the fitted chance over hours at one dew point."""

    x_ticks: tuple[AxisTick, ...]
    dew_ticks: tuple[AxisTick, ...]
    marks: tuple[BeadMark, ...]
    curve: str = ""
    band: str = ""
    dew_line: str = ""
    limit_x: str = ""


def routes(web: Web) -> APIRouter:
    """The page."""
    router = APIRouter(include_in_schema=False)

    @router.get("/evidence")
    def evidence(
        request: Request,
        dew: Annotated[float | None, Query(ge=-40, le=140)] = None,
        consumable: Annotated[str, Query(max_length=60)] = "",
    ) -> HTMLResponse:
        beads = made(web.deps)
        known = web.deps.rack()
        kinds = {one.package: known[one.package].what for one in beads if one.package in known}
        chosen = None if not consumable else {name for name, kind in kinds.items() if kind == consumable}
        points = bead_points(beads, chosen)
        rules = evidence_rules(load_toml("evidence.toml"))
        dew_c = _dew_c(web.show, dew, points, rules.usual_dew_point_c)
        found = bead_evidence(points, dew_c, rules)
        return web.page(
            request,
            "evidence.html",
            here="things",
            found=found,
            plot=plot(web.show, points, found, dew_c) if points else None,
            dew_c=dew_c,
            consumable=consumable,
            consumables=sorted(set(kinds.values())),
            left_out=len([one for one in beads if chosen is None or one.package in chosen]) - len(points),
            least=rules.least_beads,
            tolerated=rules.tolerated_frac,
            newest=beads[::-1][:30],
            called=lambda package: known[package].name if package in known else package,
        )

    return router


def made(deps: WebDeps) -> list[BeadMade]:
    """Every bead of the record, after corrections."""
    kinds = (EventKind.BEAD, EventKind.PACKAGE, EventKind.CORRECTION)
    return beads_made(deps.ledger.events(kinds=kinds))


def _dew_c(show: Show, asked: float | None, points: Sequence[BeadPoint], usual_c: float) -> float:
    if asked is None:
        return round(median(point.dew_point_c for point in points)) if points else usual_c
    asked_c = celsius(asked, fahrenheit=show.fahrenheit)
    return min(60.0, max(-60.0, asked_c))


def plot(show: Show, points: Sequence[BeadPoint], found: BeadEvidence, dew_c: float) -> Plot:
    """The geometry; hours to the right, dew point upwards."""
    hours = [point.open_s / 3_600.0 for point in points]
    dews = [show.degrees(point.dew_point_c) for point in points]
    x_ends, y_ends = _ends([0.0, *hours]), _ends([*dews, show.degrees(dew_c)])

    def x(value: float) -> float:
        return (value - x_ends[0]) / (x_ends[1] - x_ends[0])

    def y(value: float) -> float:
        return (y_ends[1] - value) / (y_ends[1] - y_ends[0])

    marks = tuple(
        BeadMark(
            f"{100 * x(hour):.2f}%",
            place(y(dew)),
            point.sound,
            f"{_word(point)}, {show.hours(hour)} open, {show.temperature(point.dew_point_c)}",
        )
        for point, hour, dew in zip(points, hours, dews, strict=True)
    )
    curve, band = _curve(found, dew_c, x_ends[1])
    limit = "" if found.limit_h is None else f"{100 * x(found.limit_h):.2f}%"
    dew_line = place(y(show.degrees(dew_c)))
    return Plot(_ticks(x_ends, x), _ticks(y_ends, y), marks, curve, band, dew_line, limit)


def _word(point: BeadPoint) -> str:
    return "sound" if point.sound else "porous"


def _curve(found: BeadEvidence, dew_c: float, longest_h: float) -> tuple[str, str]:
    """The fitted chance and its 90 % band as paths over the plot's width; empty before there is a fit."""
    if found.fit is None:
        return "", ""
    hours = np.linspace(0.0, longest_h, 101)
    likely, low, high = found.fit.chance(hours, dew_c)

    def path(values: Sequence[float], *, back: bool = False) -> str:
        pairs = [
            f"{round(X_FULL * n / 100)} {round(Y_FULL * (1.0 - value))}" for n, value in enumerate(values)
        ]
        return "L".join(reversed(pairs) if back else pairs)

    band = f"M{path(high.tolist())}L{path(low.tolist(), back=True)}Z"
    return f"M{path(likely.tolist())}", band


def _ends(values: Sequence[float]) -> tuple[float, float, float]:
    """Round ends that hold every value, and the step between ticks."""
    low, high = min(values), max(values)
    step = next((one for one in STEPS if max(high - low, 1.0) / one <= 6.0), STEPS[-1])
    low, high = step * np.floor(low / step), step * np.ceil(high / step)
    return float(low), float(high if high > low else low + step), step


def _ticks(ends: tuple[float, float, float], at: Callable[[float], float]) -> tuple[AxisTick, ...]:
    low, high, step = ends
    values = [low + n * step for n in range(round((high - low) / step) + 1)]
    return tuple(AxisTick(f"{value:g}".replace("-", "−"), at(value)) for value in values)
