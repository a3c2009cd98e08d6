"""The JSON interface: the present, the alarms, the series and the ledger, described by OpenAPI."""

from dataclasses import dataclass
from typing import Annotated

import numpy as np
from fastapi import APIRouter, Depends, HTTPException, Query, Request, Response
from pydantic import BaseModel, Field, ValidationError

from monitor.alarms.states import CommandKind
from monitor.history.unknown_hours import Stretches, unknown_h
from monitor.model.errors import InputError
from monitor.model.event import EventKind
from monitor.model.picture import AlarmNow, Picture
from monitor.model.reading import Quantity, SeriesKey
from monitor.model.shift_span import ShiftSpan
from monitor.report.air_lines import unknown_in_store
from monitor.report.parquet_file import parquet
from monitor.report.unread import all_read
from monitor.store.contract import EventPage
from monitor.web.frame.csv_files import attachment
from monitor.web.frame.deps import Answered
from monitor.web.frame.page import Web
from monitor.web.frame.person import acting
from monitor.web.frame.problems import described, faults_of
from monitor.web.frame.ticks import ticked, ticks
from monitor.web.pages import metrics
from monitor.web.pages.alarms_page import AnswerForm, operate
from monitor.web.pages.api_entries import KEY_HEADER, TOKEN

LONGEST_S = 400 * 86_400.0
MOST_BUCKETS = 20_000
MOST_POINTS = 100_000
MOST_ROWS = 2_000_000  # of a Parquet file, of all its series together
PARQUET = "application/vnd.apache.parquet"
_WIDTHS = (60.0, 300.0, 900.0, 1_800.0, 3_600.0, 10_800.0, 86_400.0)
_WANTED_BUCKETS = 700
Zones = Annotated[list[str] | None, Query(max_length=50, description="Zone ids; all if absent")]
Sources = Annotated[
    list[str] | None, Query(max_length=200, description="Sensor, body or package ids, or `zone`")
]
Quantities = Annotated[list[Quantity] | None, Query(max_length=50)]
OptionalKey = Annotated[str | None, KEY_HEADER]
_METRICS = ("text/plain", metrics.OPEN)
Moment = Annotated[float, Query(ge=0, le=32_503_680_000, description="Epoch seconds, UTC")]


@dataclass(frozen=True, slots=True)
class PointOut:
    """One stored number; doubtful ones are kept out of decisions."""

    time_s: float
    value: float
    doubtful: bool


@dataclass(frozen=True, slots=True)
class BucketOut:
    """Believed readings of one stretch of time, summed up."""

    start_s: float
    n: int
    minimum: float
    mean: float
    maximum: float


@dataclass(frozen=True, slots=True)
class SeriesOut:
    """One series over a stretch of time; the quantity's name ends in its unit."""

    zone: str
    source: str
    quantity: Quantity
    start_s: float
    end_s: float
    width_s: float
    buckets: list[BucketOut]
    points: list[PointOut]
    unread: str  # why stored numbers of this time cannot be read now, and lack here; "" where none do


@dataclass(frozen=True, slots=True)
class UnknownOut:
    """When nobody knew a zone's air, up to now: hours in all, and start and end of each stretch."""

    zone: str
    start_s: float
    end_s: float
    unknown_h: float
    stretches: Stretches
    unread: str  # why stored numbers of this time cannot be read now: it was measured; "" where all can


@dataclass(frozen=True, slots=True)
class Health:
    """Whether the service lives or is ready, and what is not."""

    ok: bool
    failing: list[str]


class ApiAnswer(BaseModel):
    """Somebody's answer to a condition; the header Idempotency-Key, or `key`, makes it safe to send again."""

    action: CommandKind = CommandKind.ACKNOWLEDGE
    who: Annotated[str, Field(min_length=1, max_length=80)]
    key: Annotated[str, Field(min_length=8, max_length=80)] | None = None
    since_s: Annotated[float, Field(ge=0, le=4e9, description="Only the trouble that began then")] | None = (
        None
    )
    reason: Annotated[str, Field(max_length=400)] = ""
    hours: Annotated[float, Field(gt=0, le=168, description="How long to shelve")] | None = None


def routes(web: Web) -> APIRouter:
    """Everything below /api, and the three addresses that supervisors know."""
    router = APIRouter()
    for group in (_shop, _answers, _series_of_numbers, _parquet, _hours_unknown, _ledger, _service):
        router.include_router(group(web))
    return router


def _shop(web: Web) -> APIRouter:
    router = APIRouter(tags=["shop"])
    deps = web.deps

    @router.get("/api/now", operation_id="getShopNow", summary="The shop now")
    def now() -> Picture:
        """Zones, cylinders and plates, packages, alarms, shifts, things to do, parts of the service."""
        seen = deps.snapshot()
        return ticked(seen, ticks(deps.ledger, deps.clock())) if seen.actions else seen

    @router.get("/api/alarms", operation_id="listAlarms", summary="Conditions that are not normal")
    def alarms() -> list[AlarmNow]:
        """Each with its ISA-18.2 state."""
        return list(deps.snapshot().alarms)

    @router.get("/api/shifts", operation_id="listShifts", summary="Shifts", responses=described(422))
    def shifts(start_s: Moment, end_s: Moment) -> list[ShiftSpan]:
        """The shifts that touch a stretch of time."""
        _stretch(start_s, end_s, None)
        return list(deps.shift_spans(start_s, end_s))

    return router


def _answers(web: Web) -> APIRouter:
    router = APIRouter(tags=["shop"])

    @router.post(
        "/api/alarms/{condition}",
        operation_id="answerAlarm",
        summary="Answer an alarm",
        responses=described(401, 403, 409, 422, 503),
        dependencies=[Depends(TOKEN)],
    )
    def answer(request: Request, condition: str, given: ApiAnswer, header: OptionalKey = None) -> Answered:
        """Acknowledge, shelve (with `hours` and `reason`), reset, or any other legal act, for `who`."""
        actor = acting(web.deps.settings, request, given.who)
        since = "" if given.since_s is None else given.since_s
        whole = {**given.model_dump(exclude={"since_s"}), "alarms": (f"{since} {condition}",)}
        whole["key"] = header or given.key
        try:
            form = AnswerForm.model_validate(whole)
        except ValidationError as error:
            raise InputError(faults_of(error.errors(include_url=False))) from error
        result = operate(web, form, actor)
        if not result.done:
            raise HTTPException(409, result.text)
        return result

    return router


def _series_of_numbers(web: Web) -> APIRouter:
    router = APIRouter(tags=["record"])

    @router.get(
        "/api/series",
        operation_id="listSeries",
        summary="Series of numbers",
        responses=described(404, 422, 503),
    )
    def series(
        start_s: Moment,
        end_s: Moment,
        zone: Zones = None,
        source: Sources = None,
        quantity: Quantities = None,
        width_s: Annotated[
            float | None, Query(ge=60, le=86_400, description="Bucket width; chosen if absent")
        ] = None,
        raw: Annotated[
            bool, Query(description="Every point, with doubtful ones marked, not buckets")
        ] = False,
    ) -> list[SeriesOut]:
        """Sums by bucket (empty ones left out: a gap is a gap), or every point with `raw`.

        `unread` names what was measured and cannot be read now: it lacks here.
        """
        width = _stretch(start_s, end_s, width_s)
        wanted = _chosen(web, zone, source, quantity)
        return [_series(web, key, start_s, end_s, width, raw=raw) for key in wanted]

    return router


def _chosen(
    web: Web, zone: list[str] | None, source: list[str] | None, quantity: list[Quantity] | None
) -> list[SeriesKey]:
    """The stored series that are asked for; 404 where there is none."""
    known = web.deps.series.keys()
    wanted = [
        key
        for key in known
        if (not zone or key.zone in zone)
        and (not source or key.source in source)
        and (not quantity or key.quantity in quantity)
    ]
    if not wanted:
        raise HTTPException(404, "No series fits zone, source and quantity.")
    return sorted(wanted)


def _parquet(web: Web) -> APIRouter:
    router = APIRouter(tags=["record"])

    @router.get(
        "/api/series.parquet",
        operation_id="getSeriesParquet",
        summary="Series of numbers as Parquet",
        response_class=Response,
        responses={
            200: {"content": {PARQUET: {"schema": {"type": "string", "format": "binary"}}}},
            **described(404, 422, 503),
        },
    )
    def parquet_file(
        start_s: Moment,
        end_s: Moment,
        zone: Zones = None,
        source: Sources = None,
        quantity: Quantities = None,
    ) -> Response:
        """Every point: a row for each time of a source, a column for each quantity, with its unit."""
        _stretch(start_s, end_s, None)
        slices, left = [], MOST_ROWS
        for key in _chosen(web, zone, source, quantity):
            found = web.deps.series.slice(key, start_s, end_s, left + 1)
            left -= found.time_s.size
            if left < 0:
                raise HTTPException(422, f"More than {MOST_ROWS} points; ask for less at once.")
            slices.append((key, found))
        all_read(web.deps.series, start_s, end_s)
        return attachment(parquet(slices), "dryshift-series.parquet", PARQUET)

    return router


def _hours_unknown(web: Web) -> APIRouter:
    router = APIRouter(tags=["record"])
    deps = web.deps

    @router.get(
        "/api/unknown",
        operation_id="getUnknownHours",
        summary="Hours nobody measured",
        responses=described(404, 422, 503),
    )
    def unknown(start_s: Moment, end_s: Moment, zone: Annotated[str, Query(max_length=200)]) -> UnknownOut:
        """When the air of a zone was not known; pages, files and sheets say the same."""
        _stretch(start_s, end_s, None)
        found = next((one for one in deps.settings.zones if one.id == zone), None)
        if found is None:
            raise HTTPException(404, f"There is no zone {zone!r}.")
        until_s = max(min(end_s, deps.clock()), start_s)
        stretches = unknown_in_store(deps.series, deps.settings, found, (start_s, until_s))
        hours, unread = unknown_h(stretches, start_s, until_s), deps.series.unreadable(start_s, until_s)
        return UnknownOut(zone, start_s, until_s, hours, stretches, unread)

    return router


def _ledger(web: Web) -> APIRouter:
    router = APIRouter(tags=["record"])
    deps = web.deps

    @router.get("/api/events", operation_id="listEvents", summary="The ledger", responses=described(422, 503))
    def events(
        kind: Annotated[list[EventKind] | None, Query()] = None,
        subject: Annotated[str | None, Query(max_length=200)] = None,
        start_s: Moment | None = None,
        end_s: Moment | None = None,
        most: Annotated[int, Query(ge=1, le=10_000)] = 1_000,
        before: Annotated[int | None, Query(ge=1, description="Only events of a lower number")] = None,
    ) -> EventPage:
        """Events by when they happened, the last entered first, with the hashes that chain them.

        `left_out` says how many were entered before them: ask again with `before` and the lowest number.
        """
        return deps.ledger.newest(
            most,
            kinds=tuple(kind or ()),
            subject=subject,
            start_s=start_s,
            end_s=end_s,
            before=before,
        )

    return router


def _service(web: Web) -> APIRouter:
    router = APIRouter(tags=["service"])
    deps = web.deps

    @router.get("/healthz", operation_id="getHealth", summary="Alive?")
    def healthz() -> Health:
        """Answers while the process serves pages."""
        return Health(ok=True, failing=[])

    @router.get("/readyz", operation_id="getReadiness", summary="Ready?", responses={503: {"model": Health}})
    def readyz(response: Response) -> Health:
        """Ready when every part works and what is shown is judged now."""
        snapshot = deps.snapshot()
        failing = [f"{part.name}: {part.text}" for part in snapshot.parts if not part.ok]
        if snapshot.not_judged:
            failing.append(f"picture: {snapshot.not_judged}")
        response.status_code = 503 if failing else 200
        return Health(ok=not failing, failing=failing)

    @router.get(
        "/metrics",
        operation_id="getMetrics",
        summary="Metrics",
        response_class=Response,
        responses={200: {"content": {name: {"schema": {"type": "string"}} for name in _METRICS}}},
    )
    def metrics_(request: Request) -> Response:
        """Levels, margins, exposures, sensors, alarms by state, parts and queues, readings, disk, process.

        Prometheus text 0.0.4, or OpenMetrics 1.0.0 where the Accept header asks for it.
        """
        text, content_type = metrics.exposition(deps, ",".join(request.headers.getlist("accept")))
        return Response(text, headers={"content-type": content_type, "vary": "accept"})

    return router


def _stretch(start_s: float, end_s: float, width_s: float | None) -> float:
    """Check a stretch of time and choose the width of its buckets."""
    if end_s <= start_s:
        raise HTTPException(422, "end_s must be later than start_s.")
    if end_s - start_s > LONGEST_S:
        raise HTTPException(422, f"At most {LONGEST_S / 86_400:.0f} days at once.")
    if width_s is None:
        wanted_s = (end_s - start_s) / _WANTED_BUCKETS
        return next((width for width in _WIDTHS if width >= wanted_s), _WIDTHS[-1])
    if (end_s - start_s) / width_s > MOST_BUCKETS:
        raise HTTPException(422, f"At most {MOST_BUCKETS} buckets at once; make width_s larger.")
    return float(round(width_s))


def _series(
    web: Web, key: SeriesKey, start_s: float, end_s: float, width_s: float, *, raw: bool
) -> SeriesOut:
    store = web.deps.series
    buckets: list[BucketOut] = []
    points: list[PointOut] = []
    if raw:
        found = store.slice(key, start_s, end_s, MOST_POINTS + 1)
        if found.time_s.size > MOST_POINTS:
            raise HTTPException(
                422, f"More than {MOST_POINTS} points; ask for a shorter stretch or for buckets."
            )
        rows = zip(
            found.time_s.tolist(), found.value.tolist(), np.asarray(found.doubtful).tolist(), strict=True
        )
        points = [PointOut(*row) for row in rows]
    else:
        buckets = [BucketOut(*bucket) for bucket in store.buckets(key, start_s, end_s, width_s)]
    unread = store.unreadable(start_s, end_s)
    return SeriesOut(key.zone, key.source, key.quantity, start_s, end_s, width_s, buckets, points, unread)
