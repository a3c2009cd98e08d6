"""The ledger as a person reads it: events, whether the chain holds, and the file to take away."""

import json
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime
from typing import Annotated

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import HTMLResponse, Response

from monitor.alarms.states import AlarmState
from monitor.history.declared_entries import declared_entry
from monitor.history.entries import body_of
from monitor.history.entry_words import plain_words
from monitor.model.errors import Fault, InputError
from monitor.model.event import Event, EventKind
from monitor.store.contract import Verification
from monitor.store.witnesses import read_witness, short_witness
from monitor.web.frame.csv_files import csv_file
from monitor.web.frame.look import state_words
from monitor.web.frame.page import Web

SHOWN = 25
_TIMES = ("happened_utc", "happened_local", "entered_utc")
_CHAIN = ("key", "previous_hash", "hash")
COLUMNS = ("number", "kind", "subject", *_TIMES, "who", "why", "body_json", *_CHAIN, "what")


def routes(web: Web) -> APIRouter:
    """Page, verification and export."""
    router = APIRouter(include_in_schema=False)

    @router.get("/records")
    def records(
        request: Request,
        kind: EventKind | None = None,
        subject: Annotated[str, Query(max_length=200)] = "",
        before: Annotated[int | None, Query(ge=1)] = None,
    ) -> HTMLResponse:
        return _page(web, request, kind, subject, before=before)

    @router.post("/records/verify")
    def verify(request: Request, witness: Annotated[str, Form(max_length=200)] = "") -> HTMLResponse:
        try:
            given = [read_witness(witness)] if witness.strip() else []
        except InputError as refusal:
            return _page(web, request, None, "", given=witness, faults=refusal.faults)
        found = web.deps.ledger.verify(sorted([*web.deps.witnesses(), *given]))
        return _page(web, request, None, "", verified=found, given=witness)

    @router.get("/records.csv")
    def export(
        request: Request, kind: EventKind | None = None, subject: Annotated[str, Query(max_length=200)] = ""
    ) -> Response:
        events = web.deps.ledger.events(kinds=_kinds(kind), subject=subject or None)
        return csv_file(web, request, "dryshift-records.csv", COLUMNS, event_rows(web, events))

    return router


def _kinds(kind: EventKind | None) -> tuple[EventKind, ...]:
    return () if kind is None else (kind,)


def _page(
    web: Web,
    request: Request,
    kind: EventKind | None,
    subject: str,
    *,
    before: int | None = None,
    verified: Verification | None = None,
    given: str = "",
    faults: tuple[Fault, ...] = (),
) -> HTMLResponse:
    page = web.deps.ledger.newest(SHOWN, kinds=_kinds(kind), subject=subject or None, before=before)
    return web.page(
        request,
        "records.html",
        422 if faults else 200,
        here="more",
        page=page,
        kinds=list(EventKind),
        kind=kind,
        subject=subject,
        verified=verified,
        given=given,
        faults=faults,
        what=_what(web),
        proof=short_witness(web.deps.ledger.head()),
    )


def _what(web: Web) -> Callable[[Event], str]:
    """How an event is said in one line, on the page and in the file: an alarm's move, else as an entry is."""
    entries = web.deps.entry_words()

    def what(event: Event) -> str:
        if event.kind is not EventKind.ALARM_TRANSITION:
            return entries.what(event)
        state = str(event.body.get("to_state", ""))
        said = state_words(state).lower() if state in set(AlarmState) else plain_words(state)
        return f"{web.words.title(event)}: {said}".removesuffix(": ")

    return what


def event_rows(web: Web, events: Iterable[Event]) -> Iterator[list[str]]:
    """Every field of every event, with the hashes, so that the chain can be checked elsewhere."""
    what = _what(web)
    for e in events:
        local = web.show.local(e.time_s).isoformat(timespec="seconds")
        body = json.dumps(e.body, ensure_ascii=False, sort_keys=True)
        row = [str(e.number), e.kind, e.subject, _utc(e.time_s), local, _utc(e.entered_s), e.who, e.why]
        yield [*row, body, e.key or "", e.previous_hash, e.hash, what(e)]


def declared_row(web: Web, subject: str) -> list[str] | None:
    """What the settings file tells of a thing, in the same columns; it is no event, so it has no number."""
    declared = web.deps.declared
    found = declared_entry(declared, subject)
    if found is None:
        return None
    entry, time_s = found
    times = (
        ["", "", ""]
        if time_s is None
        else [_utc(time_s), web.show.local(time_s).isoformat(timespec="seconds"), ""]
    )
    body = json.dumps(body_of(entry), ensure_ascii=False, sort_keys=True)
    said = web.deps.entry_words().said(entry)
    return ["", entry.kind, subject, *times, "", "settings file", body, "", "", "", said]


def _utc(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
