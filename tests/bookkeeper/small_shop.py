"""Tarn Hollow Frames, an invented small shop far from any water: one ordinary week, judged as it came."""

import math
from pathlib import Path
from typing import Any

from monitor.alarms.states import Command, CommandKind
from monitor.beads.acceptance import Pore
from monitor.beads.acceptance_rules import Weld
from monitor.consumables.classes import Place
from monitor.engine import page_answers
from monitor.engine.paper_records import Wanted, on_paper
from monitor.history.entries import BeadWelded, Moved, Opened, StoreChecked, TestBead
from monitor.model.actor import Actor, KnownBy
from monitor.model.shift_span import ShiftSpan
from monitor.report.sheet import Sheet
from monitor.report.sources import Sources
from monitor.settings.schema import Settings
from monitor.web.frame.deps import Answering, WebDeps
from tests.bookkeeper.yard import Air, Yard
from tests.web.yard_pages import deps_of

WEEK = "2026-W38"
BEGIN_S = 1_789_344_000.0 - 2 * 3600.0  # Monday, 14 September 2026, 00:00 in Vienna
END_S = BEGIN_S + 7 * 86_400.0
HOUR_S = 3600.0
EVERY_S = 1200.0
LEAD, SECOND = "Jonna Veldt", "Piet Aumann"


def _air(mean_c: float, swing_c: float, rh: float, rain: float) -> Air:
    """A day's wave, and a wet front on Wednesday night."""

    def now(time_s: float) -> tuple[float, float | None]:
        day = (time_s - BEGIN_S) / 86_400.0
        wave = math.cos(2.0 * math.pi * (day - 0.62))
        front = math.exp(-(((day - 3.1) / 0.5) ** 2))
        return mean_c + swing_c * wave, min(0.97, rh - 0.08 * wave + rain * front)

    return now


AIR: dict[str, Air] = {
    "north-bay": _air(18.0, 3.0, 0.62, 0.28),
    "rod-room": _air(21.0, 0.6, 0.44, 0.10),
    "bottle-rack": _air(15.0, 4.5, 0.70, 0.26),
    "stockyard": _air(13.0, 5.5, 0.74, 0.22),
    "rod-oven": lambda _: (132.0, None),
}


def settings(folder: Path, **more: Any) -> Settings:
    """Four places, an oven, five sensors, four cylinders, two plates and two people."""
    measures = [
        {
            "quantity": "air_temperature_c",
            "unit": "Cel",
            "accuracy": 0.3,
            "max": 450,
            "max_rate_per_min": 500,
        },
        {"quantity": "relative_humidity_frac", "unit": "%RH", "accuracy": 0.02, "max_rate_per_min": 5},
    ]
    zones = (
        ("north-bay", "North Bay", "bay", {}),
        ("rod-room", "Rod Room", "store", {"max_relative_humidity_frac": 0.5}),
        ("bottle-rack", "Bottle Rack", "cage", {}),
        ("stockyard", "Stockyard", "yard", {}),
        ("rod-oven", "Rod Oven", "oven", {"min_temperature_c": 120}),
    )
    fields: dict[str, Any] = {
        "service": {"data_dir": str(folder), "tick_s": 600, "derived_every_s": 600, "checkpoint_s": 7200},
        "sites": [{"id": "tarn-hollow", "name": "Tarn Hollow Frames", "timezone": "Europe/Vienna"}],
        "zones": [
            {"id": id_, "site": "tarn-hollow", "name": name, "kind": kind, **rest}
            for id_, name, kind, rest in zones
        ],
        "sensors": [
            {
                "id": f"{zone}-1",
                "zone": zone,
                "measures": measures[:1] if zone == "rod-oven" else measures,
                "stale_after_s": 3600,
                "stuck_after_s": 10_000_000,
            }
            for zone in AIR
        ],
        "cylinders": [
            {"id": f"mix-{n}", "zone": "bottle-rack", "name": f"Mixed gas {n}"} for n in range(1, 4)
        ]
        + [{"id": "co2-1", "zone": "north-bay", "name": "CO₂ 1", "gas": "co2"}],
        "plates": [
            {"id": "web-20", "zone": "stockyard", "name": "Web plate 20 mm", "thickness_m": 0.02},
            {"id": "base-40", "zone": "north-bay", "name": "Base plate 40 mm", "thickness_m": 0.04},
        ],
        "people": [
            {"id": "lead", "name": LEAD},
            {"id": "second", "name": SECOND},
            {"id": "auditor", "name": "R. Quill", "role": "reviewer"},
        ],
    }
    return Settings.model_validate({**fields, **more})


def shifts(start_s: float, end_s: float) -> tuple[ShiftSpan, ...]:
    """One shift a weekday, 06:30 to 15:00."""
    found = []
    for day in range(-14, 21):
        begin_s = BEGIN_S + day * 86_400.0 + 6.5 * HOUR_S
        if day % 7 < 5 and begin_s < end_s and begin_s + 8.5 * HOUR_S > start_s:
            name = f"tarn-hollow:day:{day}"
            found.append(ShiftSpan(name, "tarn-hollow", "day", begin_s, begin_s + 8.5 * HOUR_S))
    return tuple(found)


def live_week(folder: Path) -> Yard:
    """The week from Monday to Sunday: rods, two spools, beads; warnings are answered within the hour."""
    yard = Yard(folder, settings(folder), air=dict(AIR), fed_s=BEGIN_S - 86_400.0, every_s=EVERY_S)
    deeds: list[tuple[float, str, Any]] = [
        (7.0, "spool-31", Opened("Spool 31", "fcaw-folded-h8", "north-bay", spool="s300", lot="K-204")),
        (8.0, "rods-5", Opened("Rods 5", "e7018", "north-bay", Place.OPEN_AIR, lot="R-18", job="Gantry 3")),
        (10.5, "rods-5", Moved(Place.HOLDING_OVEN, "rod-oven")),
        (10.6, "rod-oven", StoreChecked(132.0)),
        (34.0, "spool-31", TestBead(sound=True)),
        (
            80.0,
            "bead-1",
            BeadWelded("d11-static", Weld.FILLET, 0.3, 0.01, (Pore(0.003, 0.1),), package="spool-31"),
        ),
        (82.0, "spool-31", Moved(Place.BAGGED, "rod-room")),
        (102.0, "spool-32", Opened("Spool 32", "fcaw-folded-h8", "north-bay", spool="s300", job="Gantry 3")),
    ]
    for hour in range(7 * 24 + 1):
        if hour in (58, 59):
            yard.air["stockyard"] = lambda _: None
        elif hour == 60:
            yard.air["stockyard"] = AIR["stockyard"]
        yard.run_to(BEGIN_S + hour * HOUR_S)
        for at, subject, entry in deeds:
            if hour - 1 < at <= hour:
                yard.enter(subject, entry, BEGIN_S + at * HOUR_S)
        _answer(yard)
    return yard


def _answer(yard: Yard) -> None:
    for number, alarm in enumerate(yard.loop.snapshot().alarms):
        if alarm.state == "unacknowledged" and number != 1:
            command = Command(kind=CommandKind.ACKNOWLEDGE, condition_id=alarm.condition, who=LEAD)
            lead, key = Actor(LEAD, KnownBy.CHOSEN, ("lead",)), f"{alarm.condition}/{yard.fed_s}"
            times_s = (yard.fed_s, yard.fed_s)
            page_answers.operated(yard.loop, yard.ledger, Answering(command, lead, key), times_s)


def sources(yard: Yard) -> Sources:
    """What its records are made of."""
    return Sources(yard.settings, yard.ledger, yard.series, yard.keeper.recall(), yard.fed_s, shifts)


def deps(yard: Yard) -> WebDeps:
    """What its pages are made of."""

    def sheet(kind: str, of: str, site: str) -> Sheet:
        return page_answers.sheet(sources(yard), kind, of, site)

    return deps_of(
        yard,
        clock=lambda: yard.fed_s,
        shift_spans=shifts,
        sheet=sheet,
        paper=lambda kind, of, site, size: on_paper(sources(yard), Wanted(kind, of, site), size),
        seen=lambda ask: page_answers.seen(yard.keeper, ask),
    )
