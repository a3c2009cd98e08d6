"""What programs enter: every entry that the pages can make, once however often it is sent."""

from collections.abc import Callable
from dataclasses import replace
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Header, HTTPException, Path, Request, Response
from fastapi.security import HTTPBearer
from pydantic import BaseModel, Field, WithJsonSchema, create_model

from monitor.alarms.authority import ENTER
from monitor.history.entries import JUDGED, Entry, Moved, body_of, entry_of
from monitor.history.entry_schemas import WORKED_OUT, schemas
from monitor.history.rack import KINDS, Thing
from monitor.model.actor import Actor
from monitor.model.errors import Fault, InputError
from monitor.model.event import Event, EventKind, NewEvent
from monitor.sensors.salt_check import SaltReading
from monitor.web.frame.page import Web
from monitor.web.frame.person import allowed
from monitor.web.frame.problems import described, problem_response
from monitor.web.frame.ticks import DONE, OPEN, ticks
from monitor.web.pages.sensor_check_page import known_checks, sensor_named, write_check
from monitor.web.pages.things_page import IDENTIFIER
from monitor.web.pages.todo import record_tick

TOKEN = HTTPBearer(auto_error=False, description="A token of the settings, [[programs]]")
HOW = {
    EventKind.PACKAGE: ("enterPackage", "Open, move, run off, try or withdraw a package"),
    EventKind.CYLINDER: (
        "enterCylinder",
        "Deliver, move, connect, cap, set aside, read, change a cylinder",
    ),
    EventKind.STEEL: ("enterPlate", "Bring in a plate, or say that it is gone"),
    EventKind.STORAGE: ("enterStore", "Read an oven's, quiver's or cabinet's display; renew its desiccant"),
    EventKind.BEAD: ("enterBead", "Record a test bead; the rules judge it"),
}
PATHS = {kind: f"/api/{name}s" for name, kind in KINDS.items()} | {EventKind.BEAD: "/api/beads"}
Label = Annotated[str, Path(pattern=f"^{IDENTIFIER.pattern}$", description="As on its label")]
KEY_HEADER = Header(
    alias="Idempotency-Key",
    min_length=8,
    max_length=80,
    description="Names this entry: sent again under the same key it is entered once",
)
Key = Annotated[str, KEY_HEADER]


class SpokenFor(BaseModel):
    """Who says so, when it happened (absent: now) and why."""

    who: Annotated[str, Field(max_length=80, description="One of the shop's people")] = ""
    time_s: Annotated[float, Field(ge=0, le=4e9, description="Epoch seconds, UTC")] | None = None
    why: Annotated[str, Field(max_length=400)] = ""
    on_behalf_of: Annotated[str, Field(max_length=80, description="Who did it, if not `who`")] = ""


class Entering(SpokenFor):
    """An entry about a thing; `sure` where something spoke against it and it was done all the same."""

    sure: bool = False
    entry: dict[str, Any]


class Checking(SpokenFor):
    """A check over one saturated salt or two: what the sensor showed and how warm the box was."""

    readings: Annotated[list[SaltReading], Field(min_length=1, max_length=2)]


class Ticking(SpokenFor):
    """An action of the plan, done or open again."""

    action: Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[^\r\n]+$")]
    entry: Annotated[str, Field(pattern=f"^({DONE}|{OPEN})$")] = DONE


def routes(web: Web) -> APIRouter:
    """Things, and what is entered of them."""
    router = APIRouter(tags=["entries"])
    router.include_router(_things(web))
    for kind in HOW:
        router.include_router(_entries(web, kind))
    router.include_router(_checks(web))
    router.include_router(_ticks(web))
    return router


def _things(web: Web) -> APIRouter:
    router = APIRouter()

    @router.get("/api/things", operation_id="listThings", summary="Things", responses=described(422, 503))
    def things(ended: bool = False) -> list[Thing]:
        """Packages, cylinders, plates, stores: where each is, how it is judged; `ended`: those gone too."""
        return [one for one in web.deps.rack().values() if ended or not one.ended]

    @router.get(
        "/api/things/{label}",
        operation_id="getThing",
        summary="One thing",
        responses=described(404, 422, 503),
    )
    def thing(label: Label) -> Thing:
        """By its label: what it is, where it is and how it is judged."""
        found = web.deps.rack().get(label)
        if found is None:
            raise HTTPException(404, f"There is no thing {label!r}; enter first what it is.")
        return found

    return router


def _entries(web: Web, kind: EventKind) -> APIRouter:
    router = APIRouter()
    operation, summary = HOW[kind]

    def enter(request: Request, response: Response, label: Label, given: Entering, key: Key) -> object:
        """As the ledger keeps it, in SI units; what something speaks against needs `sure` (409)."""
        told = _told(web, request, given, key, NewEvent(kind, label, 0.0, "", {}))
        entry = _entry(web, kind, label, given.entry)
        told = replace(told, body=body_of(entry))
        doubts = web.deps.oven_doubts(label, entry.place, entry.zone) if isinstance(entry, Moved) else ()
        if doubts and not given.sure and _before(web, told) is None:
            faults = [Fault("entry.place", str(given.entry.get("place")), one) for one in doubts]
            return problem_response(409, "Doubtful", '"sure": true enters it all the same.', faults)
        return _recorded(web, response, told, web.deps.record)

    shown = Annotated[dict[str, Any], WithJsonSchema({"oneOf": list(schemas(kind))})]
    name = operation[:1].upper() + operation[1:]
    enter.__annotations__["given"] = create_model(name, __base__=Entering, entry=(shown, ...))
    router.post(f"{PATHS[kind]}/{{label}}", operation_id=operation, summary=summary, **_written())(enter)
    return router


def _checks(web: Web) -> APIRouter:
    router = APIRouter()
    known = known_checks()

    @router.post(
        "/api/sensors/{sensor}/checks",
        operation_id="enterSensorCheck",
        summary="Record a check over saturated salts",
        **_written(),
    )
    def check(request: Request, response: Response, sensor: Label, given: Checking, key: Key) -> object:
        """Offset and gain, what they mean and when the next check is due are worked out and kept with it."""
        told = _told(web, request, given, key, NewEvent(EventKind.SENSOR_CHECK, sensor, 0.0, "", {}))
        found = sensor_named(web, sensor)
        return _recorded(
            web, response, told, lambda new: write_check(web, found, known, new, lambda: given.readings)
        )

    return router


def _ticks(web: Web) -> APIRouter:
    router = APIRouter(dependencies=[Depends(TOKEN)])
    errors = described(401, 404, 422, 503)

    @router.post("/api/ticks", operation_id="tickAction", summary="Tick off an action", responses=errors)
    def tick(request: Request, given: Ticking) -> Event:
        """As the to-do list does; what stands already as it is asked for stays."""
        actor = allowed(web.deps.settings, request, given.who, ENTER)
        now_s = web.deps.clock()
        before = ticks(web.deps.ledger, now_s).get(given.action)
        if before is not None and before.done == (given.entry == DONE):
            return _event(web, before.number)
        after = 0 if before is None else before.number
        time_s = now_s if given.time_s is None else given.time_s
        return record_tick(web, f"{given.entry} {after} {given.action}", time_s, actor)

    @router.post(
        "/api/events/{number}/take-back",
        operation_id="takeBackEntry",
        summary="Take an entry back",
        responses=errors,
    )
    def take_back(request: Request, number: Annotated[int, Path(ge=1, le=10**15)], given: SpokenFor) -> Event:
        """A correction is an entry of its own; nothing is removed, and a second time changes nothing."""
        actor = allowed(web.deps.settings, request, given.who, ENTER)
        subject = _event(web, number).subject
        body: dict[str, object] = {"of": number, "void": True}
        why, key = given.why.strip() or "taken back", f"web/undo/{subject}/{number}"
        now_s, kind = web.deps.clock(), EventKind.CORRECTION
        return web.deps.record(NewEvent(kind, subject, now_s, actor.name, body, why, key, actor.proof))

    return router


def _written() -> dict[str, Any]:
    """What every operation that writes under a key says of itself."""
    return {
        "status_code": 201,
        "response_model": Event,
        "responses": {
            200: {"model": Event, "description": "It was entered before under this key"},
            **described(401, 409, 422, 503),
        },
        "dependencies": [Depends(TOKEN)],
    }


def _told(web: Web, request: Request, given: SpokenFor, key: str, event: NewEvent) -> NewEvent:
    """The event with who says so, when and why, under a key that is the sender's own."""
    actor: Actor = allowed(web.deps.settings, request, given.who, ENTER)
    time_s = web.deps.clock() if given.time_s is None else given.time_s
    sent = key.strip('"')  # a string of RFC 8941, as the header's draft writes it, or bare
    return replace(
        event,
        time_s=time_s,
        who=actor.name,
        why=given.why.strip(),
        key=f"api/{actor.through or actor.name}/{event.subject}/{sent}",
        known_by=actor.proof,
        on_behalf_of=given.on_behalf_of,
    )


def _entry(web: Web, kind: EventKind, label: str, given: dict[str, Any]) -> Entry:
    """The entry, where a thing is moved within its zone with the zone it is in."""
    here = web.deps.thing(label) if given.get("entry") == Moved.entry and "zone" not in given else None
    entry = entry_of(kind, given if here is None else {**given, "zone": here.zone})
    told_here = sorted(given.keys() & WORKED_OUT.get(type(entry), frozenset()))
    if told_here:
        fix = "is worked out here; leave it out"
        raise InputError([Fault(f"entry.{name}", repr(given[name])[:80], fix) for name in told_here])
    return entry


def _before(web: Web, told: NewEvent) -> Event | None:
    """What was entered under this key; InputError where that was something else."""
    own = web.deps.ledger.events(subject=told.subject)
    found = next((one for one in own if one.key == told.key), None)
    if found is not None:
        asked = {name: value for name, value in told.body.items() if name not in JUDGED | {"bead"}}
        same = found.who == told.who and asked.items() <= dict(found.body).items()
        if not same:
            fix = f"was used for entry {found.number}; give every entry a key of its own"
            raise InputError([Fault("Idempotency-Key", str(told.key).rpartition("/")[2], fix)])
    return found


def _recorded(web: Web, response: Response, told: NewEvent, write: Callable[[NewEvent], Event]) -> Event:
    found = _before(web, told)
    if found is not None:
        response.status_code = 200
        return found
    return write(told)


def _event(web: Web, number: int) -> Event:
    found = web.deps.ledger.newest(1, before=number + 1).events
    if not found or found[0].number != number:
        raise HTTPException(404, f"There is no entry {number}.")
    return found[0]
