"""Why is the bead porous? What was measured and five quick answers give ranked causes and the next test."""

from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from monitor.errors import Fault, InputError
from monitor.exposure.causes import CauseModel, Finding, cause_model
from monitor.exposure.triage import Triage, triage
from monitor.reference import load_toml
from monitor.snapshot import BodyNow
from monitor.things.asking import Answers, quick_questions, triage_facts
from monitor.things.entries import BeadWelded, GaugeRead, Seen, entry_of
from monitor.things.histories import Told, corrected
from monitor.values import EventKind
from monitor.web.deps import SeenAsk
from monitor.web.page import Web
from monitor.web.shelf import Thing, things, told_of
from monitor.web.show import Show

IDLE = "idle"
ASKED_TOO = ("pattern", "rust")  # not among the five, but worth a look
QUESTIONS = {
    "stick-out": "Stick-out, against the data sheet",
    "cleaner": "Wire cleaner fitted?",
    "gas-flow": "Gas flow, draught, nozzle",
    "surface": "Surface of the joint",
    "idle": "Machine stood idle before",
    "pattern": "Where the pores lie",
    "rust": "Rust on the outer wraps?",
}


@dataclass(frozen=True, slots=True)
class Subject:
    """What the question is about: a bead, a package, or just a place now."""

    title: str
    time_s: float
    seen: Seen
    zone: str = ""
    package: str = ""
    bead_id: str = ""
    bead: BeadWelded | None = None
    cylinder: Thing | None = None
    plate: Thing | None = None
    pressure_pa: float | None = None  # gauge, as last read


def routes(web: Web) -> APIRouter:
    """The page; every answer is part of its address, and nothing is written."""
    router = APIRouter(include_in_schema=False)

    @router.get("/cause")
    def cause(request: Request) -> HTMLResponse:
        given = {name: value[:200] for name, value in request.query_params.items() if value}
        model = cause_model(load_toml("causes.toml"))
        about = subject(web, given)
        answers = {name: given[name] for name in QUESTIONS if name in model.findings and name in given}
        tests = {name: given[f"test-{name}"] == "sound" for name in model.tests if f"test-{name}" in given}
        found: Triage | None = None
        faults: tuple[Fault, ...] = ()
        try:
            facts = triage_facts(about.seen, Answers(answers, tests=tests), about.bead, about.pressure_pa)
            found = triage(facts, model)
        except InputError as refusal:
            faults = refusal.faults
        return web.page(
            request,
            "cause.html",
            422 if faults else 200,
            here="things",
            about=about,
            measured=measured(web.show, about),
            questions=_questions(model),
            more_questions=[model.findings[name] for name in ASKED_TOO if name in model.findings],
            labels=QUESTIONS,
            answers=answers,
            tests={name: model.tests[name].title for name in tests},
            kept={name: value for name, value in given.items() if name != "site"},
            found=found,
            model=model,
            faults=faults,
        )

    return router


def _questions(model: CauseModel) -> list[Finding]:
    """The five quick ones."""
    idle = [model.findings[IDLE]] if IDLE in model.findings else []
    return [*quick_questions(model), *idle]


def subject(web: Web, given: dict[str, str]) -> Subject:
    """What is asked about, with what was measured then; a bead's own record where it has one."""
    deps = web.deps
    known = things(deps.settings, deps.ledger, deps.snapshot(), deps.clock())
    bead_id, package = given.get("bead", ""), given.get("package", "")
    time_s, bead = deps.clock(), None
    if bead_id:
        time_s, bead = _bead(web, bead_id)
        package = package or bead.package
    thing = known.get(package)
    zone = given.get("zone", "") or (bead.zone if bead else "") or (thing.zone if thing else "")
    zone = zone or next((z.id for z in deps.settings.zones if z.kind in ("bay", "hall")), "")
    cylinder = known.get(bead.cylinder) if bead and bead.cylinder else _nearest_dew(known, "cylinder", zone)
    plate = known.get(bead.plate) if bead and bead.plate else _nearest_dew(known, "plate", zone)
    seen = bead.seen if bead else None
    if seen is None:
        ask = SeenAsk(time_s, package, zone, cylinder.id if cylinder else "", plate.id if plate else "")
        seen = deps.seen(ask)
    title = f"Bead of {web.show.full(time_s, web.show.zone_of(zone))}" if bead else ""
    return Subject(
        title=title or (thing.name if thing else web.show.zone_name(zone)),
        time_s=time_s,
        seen=seen,
        zone=zone,
        package=package,
        bead_id=bead_id,
        bead=bead,
        cylinder=cylinder,
        plate=plate,
        pressure_pa=None if cylinder is None else _pressure(web, cylinder.id),
    )


def _bead(web: Web, bead_id: str) -> tuple[float, BeadWelded]:
    for told in corrected(_told(web, bead_id)):
        if told.kind is EventKind.BEAD:
            entry = entry_of(told.kind, told.body)
            if isinstance(entry, BeadWelded):
                return told.time_s, entry
    raise InputError([Fault("bead", bead_id, "is not in the record; open it from its package")])


def _pressure(web: Web, cylinder: str) -> float | None:
    """The contents gauge as last read."""
    read = None
    for told in corrected(_told(web, cylinder)):
        try:
            entry = entry_of(told.kind, told.body)
        except InputError:
            continue  # the records page shows it
        if isinstance(entry, GaugeRead):
            read = entry.pressure_pa
    return read


def _told(web: Web, name: str) -> list[Told]:
    return [told_of(event) for event in web.deps.ledger.events(subject=name)]


def _nearest_dew(known: dict[str, Thing], kind: str, zone: str) -> Thing | None:
    """The one of its kind there that is connected; of several the one nearest the dew point."""
    found = [one for one in known.values() if one.kind == kind and one.zone == zone and not one.ended]
    found = [one for one in found if one.place == "connected"] or found

    def margin(one: Thing) -> float:
        judged = one.judged
        known_k = judged.margin_k if isinstance(judged, BodyNow) else None
        return 99.0 if known_k is None else known_k

    return min(found, key=margin, default=None)


def measured(show: Show, about: Subject) -> list[tuple[str, str]]:
    """What was measured and counted, in words; what was not is said."""
    seen = about.seen
    rows: list[tuple[str, Any, str]] = [
        ("Dew point", seen.dew_point_c, show.temperature(seen.dew_point_c)),
        ("Humidity", seen.rh_frac, show.humidity(seen.rh_frac)),
    ]
    if about.package:
        hours = None if seen.open_s is None else seen.open_s / 3_600.0
        rows.append(("Open time of the package", hours, show.hours(hours)))
        rows.append(("Of its permitted time", seen.used_frac, show.percent(seen.used_frac)))
        rows.append(("Water taken up, an estimate", seen.uptake_frac, show.percent(seen.uptake_frac)))
    if about.plate is not None:
        rows.append((about.plate.name, seen.plate_margin_k, show.margin(seen.plate_margin_k)))
    if about.cylinder is not None:
        rows.append((about.cylinder.name, seen.cylinder_margin_k, show.margin(seen.cylinder_margin_k)))
    if about.pressure_pa is not None:
        rows.append(("Contents gauge", about.pressure_pa, f"{about.pressure_pa / 1e5:.0f} bar"))
    return [(name, "not known" if value is None else text) for name, value, text in rows]
