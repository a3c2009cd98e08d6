"""Why is the bead porous? What was measured and five quick answers give ranked causes and the next test."""

from dataclasses import dataclass, replace
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from monitor.beads.causes import CauseFinding, CauseModel, cause_model
from monitor.beads.triage import Triage, triage
from monitor.history.bead_questions import quick_questions, triage_facts
from monitor.history.entries import BeadWelded, Seen, entry_of
from monitor.history.rack import Thing
from monitor.history.records import corrected
from monitor.model.errors import Fault, InputError
from monitor.model.event import Event, EventKind
from monitor.model.picture import BodyNow
from monitor.settings.reference import load_toml
from monitor.web.frame.deps import SeenAsk
from monitor.web.frame.page import Web
from monitor.web.frame.show import Show

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
class CauseSubject:
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
    assumed: frozenset[str] = frozenset()  # kinds of which nobody said which one it was
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
            limits = model.thresholds
            facts = triage_facts(about.seen, answers, limits, about.bead, about.pressure_pa, tests)
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
            picks=picks(web, about),
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


def _questions(model: CauseModel) -> list[CauseFinding]:
    """The five quick ones."""
    idle = [model.findings[IDLE]] if IDLE in model.findings else []
    return [*quick_questions(model), *idle]


def picks(web: Web, about: CauseSubject) -> list[tuple[str, str, list[Thing], str]]:
    """What can still be said of cylinder and work: field, title, choices, the one that was said."""
    deps = web.deps
    known = deps.rack()
    found = []
    for kind, title, one in (("cylinder", "Gas from", about.cylinder), ("plate", "Work", about.plate)):
        if about.bead is not None and getattr(about.bead, kind):
            continue  # the record says it
        choices = [thing for thing in known.values() if thing.kind == kind and not thing.ended]
        said = "" if one is None or kind in about.assumed else one.id
        found.append((kind, title, sorted(choices, key=lambda thing: thing.name), said))
    return found


def subject(web: Web, given: dict[str, str]) -> CauseSubject:
    """What is asked about, with what was measured then; a bead's own record where it has one."""
    deps = web.deps
    known = deps.rack()
    bead_id, package = given.get("bead", ""), given.get("package", "")
    time_s, bead = deps.clock(), None
    if bead_id:
        time_s, bead = _bead(web, bead_id)
        package = package or bead.package
    thing = known.get(package)
    zone = given.get("zone", "") or (bead.zone if bead else "") or (thing.zone if thing else "")
    zone = zone or next((z.id for z in deps.settings.zones if z.kind in ("bay", "hall")), "")
    said = {
        "cylinder": (bead.cylinder if bead else "") or given.get("cylinder", ""),
        "plate": (bead.plate if bead else "") or given.get("plate", ""),
    }
    chosen = {
        kind: known[name] if name in known else _nearest_dew(known, kind, zone) for kind, name in said.items()
    }
    cylinder, plate = chosen["cylinder"], chosen["plate"]
    ask = SeenAsk(time_s, package, zone, cylinder.id if cylinder else "", plate.id if plate else "")
    seen = _seen(web, ask, bead)
    title = f"Bead of {web.show.full(time_s, web.show.zone_of(zone))}" if bead else ""
    return CauseSubject(
        title=title or (thing.name if thing else web.show.zone_name(zone)),
        time_s=time_s,
        seen=seen,
        zone=zone,
        package=package,
        bead_id=bead_id,
        bead=bead,
        cylinder=cylinder,
        plate=plate,
        assumed=frozenset(kind for kind, name in said.items() if name not in known),
        pressure_pa=None if cylinder is None else _pressure(web, cylinder.id),
    )


def _seen(web: Web, ask: SeenAsk, bead: BeadWelded | None) -> Seen:
    """What a bead's own record holds; of a cylinder or plate it does not name, what was measured then."""
    if bead is None or bead.seen is None:
        return web.deps.seen(ask)
    if bead.cylinder and bead.plate:
        return bead.seen
    then = web.deps.seen(ask)
    return replace(
        bead.seen,
        cylinder_margin_k=bead.seen.cylinder_margin_k if bead.cylinder else then.cylinder_margin_k,
        plate_margin_k=bead.seen.plate_margin_k if bead.plate else then.plate_margin_k,
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
    told = web.deps.declared.body(cylinder, web.deps.ledger.events(subject=cylinder)).history
    return None if told is None else told.pressure_pa


def _told(web: Web, name: str) -> list[Event]:
    return web.deps.ledger.events(subject=name)


def _nearest_dew(known: dict[str, Thing], kind: str, zone: str) -> Thing | None:
    """The one of its kind there that is connected; of several the one nearest the dew point."""
    found = [one for one in known.values() if one.kind == kind and one.zone == zone and not one.ended]
    found = [one for one in found if one.place == "connected"] or found

    def margin(one: Thing) -> float:
        judged = one.judged
        known_k = judged.margin_k if isinstance(judged, BodyNow) else None
        return 99.0 if known_k is None else known_k

    return min(found, key=margin, default=None)


def _named(about: CauseSubject, thing: Thing) -> str:
    """The thing's name, and whether somebody said that it was this one."""
    return f"{thing.name} (assumed, nobody said which)" if thing.kind in about.assumed else thing.name


def measured(show: Show, about: CauseSubject) -> list[tuple[str, str]]:
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
        rows.append((_named(about, about.plate), seen.plate_margin_k, show.margin(seen.plate_margin_k)))
    if about.cylinder is not None:
        rows.append(
            (_named(about, about.cylinder), seen.cylinder_margin_k, show.margin(seen.cylinder_margin_k))
        )
    if about.pressure_pa is not None:
        rows.append(("Contents gauge", about.pressure_pa, f"{about.pressure_pa / 1e5:.0f} bar"))
    return [(name, "not known" if value is None else text) for name, value, text in rows]
