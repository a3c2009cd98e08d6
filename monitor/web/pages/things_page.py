"""The rack: every package, cylinder, plate and store, and what is done to it with a tap."""

import re
import secrets
from typing import Annotated, get_args

from fastapi import APIRouter, HTTPException, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from monitor.alarms.authority import ENTER
from monitor.consumables.classes import ConsumableKind, consumable_classes
from monitor.consumables.run_off import WIRES
from monitor.consumables.spools import spool_data
from monitor.gas.usual_practice import gas_use
from monitor.history.declared_entries import declared_entry
from monitor.history.entries import Moved, body_of
from monitor.history.entry_words import plain_words
from monitor.history.rack import KINDS, Thing
from monitor.history.records import taken_back
from monitor.model.actor import Actor
from monitor.model.errors import Fault, InputError
from monitor.model.event import Event, EventKind, NewEvent
from monitor.model.thing import Cylinder
from monitor.physics.gas_data import gas_data
from monitor.report.bead_plane import plane_of
from monitor.settings.reference import load_toml
from monitor.web.frame.csv_files import csv_file
from monitor.web.frame.forms import Ago, read_form, remember_who
from monitor.web.frame.local_time import moment_of
from monitor.web.frame.look import RISK
from monitor.web.frame.page import Web
from monitor.web.frame.person import allowed
from monitor.web.pages.deeds import FIRST, MM, DeedForm, DoubtedError, deed_named, deeds_for, strict_turn
from monitor.web.pages.records_page import COLUMNS, declared_row, event_rows
from monitor.web.pages.thing_chart import ThingChart, axis_names, body_chart, hours_axis, package_chart

IDENTIFIER = re.compile(r"[a-z0-9][a-z0-9-]{0,47}")
HISTORY = 500
USED = "Used here"
SORTS = {
    "Wire": frozenset(WIRES),
    "Rods": frozenset({ConsumableKind.COVERED_ELECTRODE}),
    "Flux": frozenset({ConsumableKind.FLUX}),
}
LAYERS = {str(n): n for n in range(1, 21)}
PIECES = {"rack": "piece/rack.html"}


class UndoForm(BaseModel):
    """Which entry was a slip."""

    of: Annotated[int, Field(ge=1)]
    who: Annotated[str, Field(min_length=1, max_length=80)]
    note: Annotated[str, Field(max_length=400)] = "tapped by mistake"
    ago: Ago = 0.0


def routes(web: Web) -> APIRouter:
    """The list, a thing's page, and its buttons."""
    router = APIRouter(include_in_schema=False)
    words = web.deps.entry_words()
    web.env.globals.update(
        rack=lambda: rack(web),
        sorts=_sorts(),
        happened=lambda event: _sentence(words.what(event)),
        plain_words=plain_words,
        hours_axis=hours_axis,
        axis_names=axis_names,
    )
    router.include_router(_reading(web))
    router.include_router(_entering(web))
    return router


def _reading(web: Web) -> APIRouter:
    router = APIRouter()

    @router.get("/things")
    def listed(request: Request) -> HTMLResponse:
        return web.page(request, "things.html", here="things")

    @router.get("/things/new")
    def new(
        request: Request, kind: Annotated[str, Query()] = "package", id: Annotated[str, Query()] = ""
    ) -> HTMLResponse:
        return _new_page(web, request, kind, id)

    @router.get("/thing/{name}")
    def thing(
        request: Request,
        name: str,
        done: Annotated[int, Query(ge=0)] = 0,
        before: Annotated[int | None, Query(ge=1)] = None,
    ) -> Response:
        _check_name(name)
        if name not in _things(web):
            return RedirectResponse(f"/things/new?id={name}", status_code=303)
        return _thing_page(web, request, name, done=done, before=before)

    @router.get("/thing/{name}/history.csv")
    def history(request: Request, name: str) -> Response:
        _check_name(name)
        declared = declared_row(web, name)
        rows = event_rows(web, web.deps.ledger.events(subject=name))
        return csv_file(web, request, f"{name}.csv", COLUMNS, [*([declared] if declared else []), *rows])

    return router


def _entering(web: Web) -> APIRouter:
    router = APIRouter()

    @router.post("/thing/{name}")
    async def enter(request: Request, name: str, kind: Annotated[str, Query()] = "") -> Response:
        _check_name(name)
        try:
            form = await read_form(web, request, DeedForm)
            person = allowed(web.deps.settings, request, form.who, ENTER)
            written = await run_in_threadpool(record_deed, web, name, kind, form, person)
        except DoubtedError as doubt:
            return await run_in_threadpool(_doubted, web, request, name, doubt)
        except InputError as refusal:
            return await run_in_threadpool(_refused, web, request, name, kind, refusal.faults)
        response = RedirectResponse(f"/thing/{name}?done={written.number}", status_code=303)
        remember_who(response, person.name)
        return response

    @router.post("/thing/{name}/undo")
    async def undo(request: Request, name: str) -> Response:
        _check_name(name)
        try:
            form = await read_form(web, request, UndoForm)
            person = allowed(web.deps.settings, request, form.who, ENTER)
            await run_in_threadpool(_undo, web, name, form, person)
        except InputError as refusal:
            return await run_in_threadpool(_refused, web, request, name, "", refusal.faults)
        response = RedirectResponse(f"/thing/{name}", status_code=303)
        remember_who(response, person.name)
        return response

    return router


def record_deed(web: Web, name: str, kind: str, form: DeedForm, person: Actor) -> Event:
    """Write what somebody did; InputError where it cannot be true, and then nothing is changed."""
    settings = web.deps.settings
    found = web.deps.thing(name)
    kind = kind if found is None else found.kind
    name_of_deed, _, detail = form.deed.partition("@")  # a button may carry where or how much
    deed = deed_named(kind, name_of_deed, known=found is not None)
    if deed.asks == ("layers",) and detail in LAYERS:
        form = form.model_copy(update={"layers": LAYERS[detail]})
    zone = detail if deed.zones and detail else form.zone or ("" if found is None else found.zone)
    if deed.zones:
        _check_zone(web, zone, deed.zones)
    form = form.model_copy(update={"zone": zone, "wire_mm": form.wire_mm or _wire_mm(web, name)})
    entry = deed.make(form, settings)
    doubts = web.deps.oven_doubts(name, entry.place, zone) if isinstance(entry, Moved) else ()
    if doubts and not form.sure:
        raise DoubtedError(deed, form, doubts)
    now_s = web.deps.clock()
    time_s = now_s - form.ago
    if form.at:
        turn = form.turn or strict_turn(entry, "" if found is None else found.place)
        time_s = moment_of(form.at, web.show.zone_of(zone), turn)
    if time_s > now_s + 60.0:
        raise InputError(
            [Fault("time", web.show.full(time_s), "lies in the future; enter what has happened")]
        )
    event = NewEvent(
        kind=KINDS[kind],
        subject=name,
        time_s=time_s,
        who=person.name,
        body=body_of(entry),
        why=form.note.strip(),
        key=f"web/{form.key}/{name}/{deed.id}",
        known_by=person.proof,
        on_behalf_of=form.on_behalf_of,
    )
    return web.deps.record(event)


def _wire_mm(web: Web, name: str) -> float | None:
    """The wire that was entered when this package was opened: a layer is as deep as it is thick."""
    told = web.deps.history().packages.get(name)
    wire_m = None if told is None or told.history is None else told.history.wire_m
    return None if wire_m is None else wire_m * MM


def _wire_sizes() -> list[str]:
    """Every wire size that is sold, in mm."""
    wires = spool_data(load_toml("spools.toml")).wires.values()
    return [f"{MM * size:g}" for size in sorted({one for wire in wires for one in wire.diameters_m})]


def _check_zone(web: Web, zone: str, kinds: tuple[str, ...]) -> None:
    fitting = [one for one in web.deps.settings.zones if one.kind in kinds]
    if zone not in {one.id for one in fitting}:
        choices = ", ".join(one.name for one in fitting) or "none is in the settings"
        raise InputError([Fault("where", zone or "nothing", f"choose one of: {choices}")])


def _undo(web: Web, name: str, form: UndoForm, person: Actor) -> None:
    time_s = web.deps.clock() - form.ago
    body: dict[str, object] = {"of": form.of, "void": True}
    key, note = f"web/undo/{name}/{form.of}", form.note.strip()
    event = NewEvent(EventKind.CORRECTION, name, time_s, person.name, body, note, key, person.proof)
    web.deps.record(event)


def rack(web: Web) -> dict[str, list[Thing]]:
    """Everything in use by kind, the worst first; what is no longer in use under "ended"."""
    found: dict[str, list[Thing]] = {kind: [] for kind in (*KINDS, "ended")}
    for thing in _things(web).values():
        found["ended" if thing.ended else thing.kind].append(thing)
    for kind in KINDS:
        found[kind].sort(key=lambda thing: (look_rank(thing), thing.name))
    found["ended"].sort(key=lambda thing: -(thing.since_s or 0.0))
    return found


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def look_rank(thing: Thing) -> int:
    """Danger, caution, then safe; what the core has not judged comes between."""
    return RISK[thing.level].rank


def _things(web: Web) -> dict[str, Thing]:
    return web.deps.rack()


def _check_name(name: str) -> None:
    if not IDENTIFIER.fullmatch(name):
        raise HTTPException(404, "There is no such thing: a label has small letters, digits and hyphens.")


def _refused(web: Web, request: Request, name: str, kind: str, faults: tuple[Fault, ...]) -> HTMLResponse:
    if name in _things(web):
        return _thing_page(web, request, name, status=422, faults=faults)
    return _new_page(web, request, kind, name, status=422, faults=faults)


def _doubted(web: Web, request: Request, name: str, doubt: DoubtedError) -> HTMLResponse:
    """Asked twice: what speaks against it, and a button for whoever does it all the same."""
    return _thing_page(web, request, name, status=422, faults=doubt.faults, doubted=doubt.form)


def _thing_page(
    web: Web,
    request: Request,
    name: str,
    *,
    done: int = 0,
    before: int | None = None,
    status: int = 200,
    faults: tuple[Fault, ...] = (),
    doubted: DeedForm | None = None,
) -> HTMLResponse:
    thing = _things(web)[name]
    page = web.deps.ledger.newest(HISTORY, subject=name, before=before)
    return web.page(
        request,
        "thing.html",
        status,
        here="things",
        thing=thing,
        deeds=deeds_for(thing.kind, thing.what if thing.kind == "package" else ""),
        events=sorted(page.events, key=lambda event: (event.time_s, event.number), reverse=True),
        earlier=(page.left_out, page.events[-1].number) if page.left_out else None,
        voided=taken_back(web.deps.ledger.events(subject=name)),
        declared=_declared(web, name),
        done=next((event for event in page.events if event.number == done), None),
        faults=faults,
        doubted=doubted,
        chart=_chart(web, thing),
        chart_title="Hours open" if thing.kind == "package" else "Yesterday and tomorrow",
        chart_zone=web.show.zone_of(thing.zone),
        wire_sizes=[] if _wire_mm(web, name) else _wire_sizes(),
        plane=plane_of(web.deps.ledger, {name}, web.show.writing()) if thing.kind == "package" else None,
        run_off=web.deps.run_off(name) if thing.kind == "package" and not thing.ended else None,
        form_key=secrets.token_urlsafe(9),
    )


def _declared(web: Web, name: str) -> tuple[str, float | None] | None:
    """What the settings file says of it in words, and since when."""
    found = declared_entry(web.deps.declared, name)
    return None if found is None else (_sentence(web.deps.entry_words().said(found[0])), found[1])


def _chart(web: Web, thing: Thing) -> ThingChart | None:
    """What is drawn of it; None where nothing is stored."""
    if thing.kind == "package":
        told = web.deps.history().packages.get(thing.id)
        return None if told is None else package_chart(web, thing, told.history)
    return body_chart(web, thing) if thing.kind in ("cylinder", "plate") else None


def _new_page(
    web: Web, request: Request, kind: str, name: str, *, status: int = 200, faults: tuple[Fault, ...] = ()
) -> HTMLResponse:
    known = _things(web)
    kind = kind if kind in FIRST else "package"
    return web.page(
        request,
        "thing_new.html",
        status,
        here="things",
        kind=kind,
        first=FIRST[kind],
        name=name if IDENTIFIER.fullmatch(name) else new_name(kind, known),
        classes=_classes(known) if kind == "package" else {},
        spools=spool_data(load_toml("spools.toml")),
        gases=gas_titles(),
        cylinder_gases=get_args(Cylinder.model_fields["gas"].annotation),
        faults=faults,
        form_key=secrets.token_urlsafe(9),
    )


def new_name(kind: str, known: dict[str, Thing]) -> str:
    """The next free label of a kind."""
    number = 1 + sum(thing.kind == kind for thing in known.values())
    while f"{kind}-{number}" in known:
        number += 1
    return f"{kind}-{number}"


def _sorts() -> dict[str, str]:
    """What people call a consumable's class or a gas, by its id."""
    found = {one.id: one.title for one in consumable_classes(load_toml("consumables.toml")).values()}
    return found | gas_titles()


def gas_titles() -> dict[str, str]:
    """What each gas of the settings is taken to be, with its percentages."""
    use = gas_use(load_toml("gas_use.toml"), gas_data(load_toml("gas_grades.toml")))
    return {name: one.title for name, one in use.mixtures.items()}


def _classes(known: dict[str, Thing]) -> dict[str, list[tuple[str, str]]]:
    """Consumable classes (id, title) by sort; those in use here come first, under a heading of their own."""
    used = [thing.what for thing in known.values() if thing.kind == "package"]
    listed = sorted(consumable_classes(load_toml("consumables.toml")).items(), key=lambda one: one[1].title)
    own = sorted((one for one in listed if one[0] in used), key=lambda one: -used.count(one[0]))
    found = {USED: [(name, one.title) for name, one in own]}
    for sort, kinds in SORTS.items():
        found[sort] = [(name, one.title) for name, one in listed if one.kind in kinds and name not in used]
    return {sort: classes for sort, classes in found.items() if classes}
