"""The shop's own beads as evidence: sound and porous against exposure and dew point, with the fit's doubt."""

from collections.abc import Sequence
from statistics import median
from typing import Annotated, Any

import numpy as np
from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from monitor.beads.evidence import BeadEvidence, BeadPoint, bead_evidence, evidence_rules
from monitor.history.bead_records import BeadMade, bead_points, beads_made
from monitor.model.shop_units import celsius
from monitor.report.bead_plane import TOLD, bead_plane
from monitor.report.chart import X_FULL, Y_FULL, place
from monitor.settings.reference import load_toml
from monitor.web.frame.deps import WebDeps
from monitor.web.frame.page import Web
from monitor.web.frame.show import Show


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
            **_drawn(web, [one for one in beads if chosen is None or one.package in chosen], found, dew_c),
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
    return beads_made(deps.ledger.events(kinds=TOLD))


def _dew_c(show: Show, asked: float | None, points: Sequence[BeadPoint], usual_c: float) -> float:
    if asked is None:
        return round(median(point.dew_point_c for point in points)) if points else usual_c
    asked_c = celsius(asked, fahrenheit=show.fahrenheit)
    return min(60.0, max(-60.0, asked_c))


def _drawn(web: Web, beads: Sequence[BeadMade], found: BeadEvidence, dew_c: float) -> dict[str, Any]:
    """The plane of beads, and the fitted chance over hours at one dew point; nothing without a bead."""
    if not any(one.point is not None for one in beads):
        return {"plane": None}
    rules, show = evidence_rules(load_toml("evidence.toml")), web.show
    plane = bead_plane(beads, lambda _: True, found, rules, show.writing())
    curve, band = _curve(found, dew_c, plane.hour_ends[1])
    longest_h = plane.hour_ends[1]
    limit_x = "" if found.limit_h is None else f"{100 * found.limit_h / longest_h:.2f}%"
    dew_y = place(plane.down(show.degrees(dew_c)))
    return {"plane": plane, "curve": curve, "band": band, "limit_x": limit_x, "dew_y": dew_y}


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
