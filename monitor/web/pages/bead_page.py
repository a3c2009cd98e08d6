"""The test bead: pores tapped on a sketch or counted by size, judged by the code in force, recorded."""

import json
import re
import secrets
from collections.abc import Iterable
from fractions import Fraction
from typing import Annotated, Literal
from urllib.parse import unquote

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, Response
from pydantic import BaseModel, Field, ValidationError, model_validator
from starlette.concurrency import run_in_threadpool

from monitor.alarms.authority import ENTER
from monitor.beads.acceptance import Bead, BeadVerdict, Pore, judge_bead
from monitor.beads.acceptance_rules import INCH_MM, Acceptance, PoreKind, Weld, acceptances
from monitor.history.bead_records import is_sound, judged
from monitor.history.entries import BeadWelded, TestBead, body_of
from monitor.history.rack import Thing
from monitor.model.actor import Actor
from monitor.model.errors import Fault, InputError
from monitor.model.event import EventKind, NewEvent
from monitor.settings.reference import load_toml
from monitor.web.frame.deps import SeenAsk
from monitor.web.frame.forms import Ago, read_form, remember, remember_who
from monitor.web.frame.page import Web
from monitor.web.frame.person import allowed
from monitor.web.frame.problems import faults_of

MM = 1_000.0
MOST_PORES = 500
_SIZE = re.compile(r"-?[0-9]{0,4}(\.[0-9]{0,6})?|[0-9]{1,3}/[0-9]{1,3}", re.ASCII)
REMEMBERED = {"cylinder": "dryshift_bead_cylinder", "plate": "dryshift_bead_plate"}  # cookies, by field
_USUAL = {
    "metric": {"length": "300", "thickness": "10", "sketch": "[]", "weld": "fillet", "layers": "one"},
    "us": {"length": "12", "thickness": "0.375", "sketch": "[]", "weld": "fillet", "layers": "one"},
}
_SIZES = {
    "metric": ("0.5", "1", "1.5", "2", "3", "4"),
    "us": ("1/32", "1/16", "3/32", "1/8", "3/16", "1/4"),
}


class PoreIn(BaseModel):
    """One pore of the sketch, in mm."""

    at: Annotated[float, Field(ge=0, le=5_000)] | None = None
    diameter: Annotated[float, Field(gt=0, le=100)]
    length: Annotated[float, Field(ge=0, le=1_000)] = 0.0
    depth: Annotated[float, Field(ge=0, le=100)] = 0.0
    kind: PoreKind = PoreKind.SURFACE


class PoresIn(BaseModel):
    """All pores of the sketch."""

    pores: Annotated[list[PoreIn], Field(max_length=MOST_PORES)]


class BeadForm(BaseModel):
    """A bead as entered, in mm or, in a shop with US units, in inches; the sketch is always in mm."""

    rule: Annotated[str, Field(max_length=60)]
    weld: Weld
    length: Annotated[float, Field(gt=0, le=5_000)]
    thickness: Annotated[float, Field(gt=0, le=500)]
    throat: Annotated[float, Field(gt=0, le=200)] | None = None
    width: Annotated[float, Field(gt=0, le=200)] | None = None
    layers: Literal["one", "several"] = "one"
    none_seen: Annotated[str, Field(max_length=3)] = ""
    sketch: Annotated[str, Field(max_length=100_000)] = "[]"
    counts: Annotated[str, Field(max_length=400)] = ""  # "1.5x3, 1/16x1": sizes counted without places
    on_behalf_of: Annotated[str, Field(max_length=80)] = ""
    package: Annotated[str, Field(max_length=48)] = ""
    cylinder: Annotated[str, Field(max_length=48)] = ""
    plate: Annotated[str, Field(max_length=48)] = ""
    who: Annotated[str, Field(max_length=80)] = ""
    key: Annotated[str, Field(min_length=8, max_length=80)]
    note: Annotated[str, Field(max_length=400)] = ""
    judged_by: Annotated[str, Field(max_length=120)] = ""
    record: Annotated[str, Field(max_length=3)] = ""
    ago: Ago = 0.0

    @model_validator(mode="before")
    @classmethod
    def _weld_and_code_as_one(cls, sent: object) -> object:
        """The page's one choice of code and weld, taken apart."""
        if not isinstance(sent, dict) or not sent.get("judged_by"):
            return sent
        rule, _, weld = str(sent["judged_by"]).partition("|")
        return {**sent, "rule": rule, "weld": weld}


def routes(web: Web) -> APIRouter:
    """The sketch, its verdict and its record."""
    router = APIRouter(include_in_schema=False)

    @router.get("/bead")
    def bead(request: Request, package: Annotated[str, Query(max_length=48)] = "") -> HTMLResponse:
        before = {name: unquote(request.cookies.get(cookie, ""))[:48] for name, cookie in REMEMBERED.items()}
        return _page(web, request, values={**before, "package": package})

    @router.post("/bead")
    async def judge(request: Request) -> Response:
        sent = await request.form(max_files=0, max_fields=300)
        values = {name: str(value) for name, value in sent.items()}
        try:
            form = await read_form(web, request, BeadForm)
            made = bead_of(form, unit_mm(web))
            verdict = judge_bead(made, _acceptance(form.rule))
            recorded = ""
            if form.record:
                person = allowed(web.deps.settings, request, form.who, ENTER)
                recorded = await run_in_threadpool(_record, web, form, made, person)
        except InputError as refusal:
            return await run_in_threadpool(
                _page, web, request, values=values, faults=refusal.faults, status=422
            )
        response = await run_in_threadpool(
            _page, web, request, values=values, verdict=verdict, recorded=recorded
        )
        for name, cookie in REMEMBERED.items():
            remember(response, cookie, getattr(form, name))
        if form.record:
            remember_who(response, person.name)
        return response

    return router


def unit_mm(web: Web) -> float:
    """Millimetres in the unit that the shop's beads are entered in."""
    return INCH_MM if web.deps.settings.web.units == "us" else 1.0


def bead_of(form: BeadForm, unit: float = 1.0) -> Bead:
    """The bead in metres; InputError where the sketch or the counts cannot be read."""
    try:
        sketch = PoresIn.model_validate({"pores": json.loads(form.sketch)})
    except ValidationError as error:
        raise InputError(faults_of(error.errors(include_url=False))) from error
    except ValueError as error:
        raise InputError(
            [Fault("sketch", form.sketch[:40], "cannot be read; tap the pores again")]
        ) from error
    pores = [
        Pore(p.diameter / MM, None if p.at is None else p.at / MM, p.length / MM, p.depth / MM, p.kind)
        for p in sketch.pores
    ]
    pores += [Pore(size * unit / MM) for size, number in counted(form.counts) for _ in range(number)]
    return Bead(
        length_m=form.length * unit / MM,
        weld=form.weld,
        thickness_m=form.thickness * unit / MM,
        pores=tuple(pores),
        throat_m=None if form.throat is None else form.throat * unit / MM,
        width_m=None if form.width is None else form.width * unit / MM,
        multilayer=form.layers == "several",
        none_seen=bool(form.none_seen),
    )


def counted(text: str) -> list[tuple[float, int]]:
    """Pores counted by size: "1.5 x 3, 1/16 x 1" is three of 1.5 and one of a sixteenth."""
    found = []
    for part in filter(None, (part.strip() for part in text.replace(";", ",").split(","))):
        size, cross, number = part.replace("×", "x").partition("x")
        plain = _SIZE.fullmatch(size.strip())
        try:
            pair = float(Fraction(plain.group() if plain else "")), int(number) if cross else 1
        except (ValueError, ZeroDivisionError) as error:
            raise InputError([Fault("counts", part, "write size x number, like 1.5 x 3")]) from error
        if not 0 < pair[0] <= 100 or not 0 <= pair[1] <= MOST_PORES:
            raise InputError([Fault("counts", part, "write a size above zero and zero or more of them")])
        found.append(pair)
    return found


def _acceptance(rule: str) -> Acceptance:
    known = acceptances(load_toml("bead_acceptance.toml"))
    if rule not in known:
        raise InputError([Fault("code", rule, f"use one of: {', '.join(known)}")])
    return known[rule]


def _record(web: Web, form: BeadForm, made: Bead, person: Actor) -> str:
    """The bead with its pores and verdict, and with its package whether it was sound; gives its label."""
    if not person.name:
        raise InputError([Fault("who", "nothing", "say who you are")])
    time_s, note = web.deps.clock() - form.ago, form.note.strip()
    bead_id = f"bead-{form.key.lower()}".replace("_", "-")[:48]
    entry = BeadWelded(
        rule=form.rule,
        weld=made.weld,
        length_m=made.length_m,
        thickness_m=made.thickness_m,
        pores=made.pores,
        throat_m=made.throat_m,
        width_m=made.width_m,
        multilayer=made.multilayer,
        none_seen=made.none_seen,
        package=form.package,
        cylinder=form.cylinder,
        plate=form.plate,
    )
    seen = web.deps.seen(SeenAsk(time_s, package=form.package, cylinder=form.cylinder, plate=form.plate))
    entry = judged(entry, acceptances(load_toml("bead_acceptance.toml")), seen)
    key = f"web/{form.key}/bead"
    who, proof, other = person.name, person.proof, form.on_behalf_of
    web.deps.record(NewEvent(EventKind.BEAD, bead_id, time_s, who, body_of(entry), note, key, proof, other))
    sound = is_sound(entry)
    if form.package and sound is not None:
        told = TestBead(sound=sound, bead=bead_id, seen=seen)
        key = f"web/{form.key}/{form.package}/bead"
        event = NewEvent(EventKind.PACKAGE, form.package, time_s, who, body_of(told), note, key, proof, other)
        web.deps.record(event)
    return bead_id


def _choices(known: Iterable[Thing], kind: str) -> list[Thing]:
    """What is in use of a kind; what is connected comes first."""
    found = [thing for thing in known if thing.kind == kind and not thing.ended]
    return sorted(found, key=lambda thing: (thing.place != "connected", thing.name))


def _page(
    web: Web,
    request: Request,
    *,
    values: dict[str, str],
    verdict: BeadVerdict | None = None,
    recorded: str = "",
    faults: tuple[Fault, ...] = (),
    status: int = 200,
) -> HTMLResponse:
    deps, units = web.deps, web.deps.settings.web.units
    known = deps.rack().values()
    return web.page(
        request,
        "bead.html",
        status,
        here="things",
        rules=acceptances(load_toml("bead_acceptance.toml")),
        welds=list(Weld),
        kinds=list(PoreKind),
        packages=_choices(known, "package"),
        cylinders=_choices(known, "cylinder"),
        plates=_choices(known, "plate"),
        values=dict.fromkeys(BeadForm.model_fields, "") | _USUAL[units] | values,
        unit="in" if units == "us" else "mm",
        unit_mm=unit_mm(web),
        sizes=[(float(Fraction(size)) * unit_mm(web), size) for size in _SIZES[units]],
        verdict=verdict,
        recorded=recorded,
        faults=faults,
        form_key=values.get("key") or secrets.token_hex(9),
    )
