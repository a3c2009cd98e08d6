"""Puts the pages and the JSON interface together into one application."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from fastapi import FastAPI, HTTPException, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException as StarletteHTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.types import Scope

from monitor.model.errors import Fault, InputError
from monitor.report.paper import PaperUnavailableError
from monitor.report.parquet_file import ParquetUnavailableError
from monitor.store.contract import StoreUnavailableError
from monitor.web import live
from monitor.web.frame.deps import WebDeps
from monitor.web.frame.gate import Gate
from monitor.web.frame.guard import Guard
from monitor.web.frame.own_names import own_names
from monitor.web.frame.page import STATIC, Web, make_web
from monitor.web.frame.problems import Problem, faults_of, problem_response
from monitor.web.pages import (
    account_page,
    ahead_page,
    air_page,
    alarm_care_page,
    alarms_page,
    api,
    api_entries,
    bead_page,
    calendar_page,
    cause_page,
    evidence_page,
    gas_page,
    guide_page,
    installed,
    join_page,
    labels_page,
    log_in_page,
    now_page,
    numbers_page,
    one_tap_page,
    people_page,
    phone_page,
    records_page,
    safety_page,
    sensor_check_page,
    sensors_page,
    service_page,
    sheets_page,
    things_page,
    todo,
    wall_page,
    week_page,
    who_page,
)

_DESCRIPTION = """What a welding shop's air, gas, steel and opened consumables are like, as JSON.

Numbers are in the unit that ends their name; times are epoch seconds UTC. Errors are problem details
(RFC 9457). The governing code, the maker's data sheet, the qualified procedure and licensed people decide."""
ROOMS = (
    now_page,
    todo,
    who_page,
    installed,
    wall_page,
    ahead_page,
    week_page,
    air_page,
    alarm_care_page,
    alarms_page,
    one_tap_page,
    things_page,
    labels_page,
    phone_page,
    bead_page,
    calendar_page,
    cause_page,
    evidence_page,
    gas_page,
    sensors_page,
    sensor_check_page,
    service_page,
    sheets_page,
    records_page,
    numbers_page,
    safety_page,
    guide_page,
    api,
    api_entries,
)
_OF_ACCOUNTS = (log_in_page, join_page, account_page, people_page)
_PROGRAMS = ("/api/", "/healthz", "/readyz", "/metrics", "/openapi.json")


def create_app(deps: WebDeps) -> FastAPI:
    """The whole application; `app.state.stopping` ends open streams when set."""
    stopping = live.Stopping()

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        yield
        stopping.event.set()

    app = FastAPI(
        title="Dryshift",
        version="1",
        description=_DESCRIPTION,
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
    )
    web = make_web(deps)
    app.state.stopping = stopping
    app.state.proxies = frozenset(str(one) for one in deps.settings.web.proxies)
    for room in (*ROOMS, *(_OF_ACCOUNTS if deps.desk is not None else ())):
        app.include_router(room.routes(web))
    app.include_router(live.routes(web, stopping))
    app.mount("/static", _Static(directory=STATIC))
    _describe(app, web)
    _handle_errors(app, web)
    app.add_middleware(GZipMiddleware, minimum_size=2_000)
    if deps.desk is not None:
        app.add_middleware(Gate, desk=deps.desk, settings=deps.settings)
    app.add_middleware(Guard, names=own_names(deps.settings.web))
    return app


class _Static(StaticFiles):
    """Our files; their address changes with their content, so browsers keep them."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        """The file, or 404."""
        response = await super().get_response(path, scope)
        if response.status_code == 200 and scope["query_string"].startswith(b"v="):
            response.headers["cache-control"] = "public, max-age=31536000, immutable"
        return response


def _describe(app: FastAPI, web: Web) -> None:
    """Add the problem schema to the description, and a page that lists the operations."""
    plain = app.openapi

    def openapi() -> dict[str, Any]:
        description = plain()
        schemas = description.setdefault("components", {}).setdefault("schemas", {})
        template = "#/components/schemas/{model}"
        schema = Problem.model_json_schema(ref_template=template)
        schemas.update(schema.pop("$defs", {}))
        schemas["Problem"] = schema
        return description

    app.openapi = openapi  # type: ignore[method-assign]

    @app.get("/api", include_in_schema=False)
    def programs(request: Request) -> HTMLResponse:
        paths = app.openapi()["paths"]
        operations = [
            (method.upper(), path, operation)
            for path, methods in paths.items()
            for method, operation in methods.items()
        ]
        return web.page(request, "api.html", here="more", operations=operations)


def _handle_errors(app: FastAPI, web: Web) -> None:
    def answer(request: Request, status: int, title: str, faults: tuple[Fault, ...] = ()) -> Response:
        if request.url.path.startswith(_PROGRAMS):
            return problem_response(status, detail=title, faults=faults)
        return web.page(request, "problem.html", status, here="", title=title, faults=faults, code=status)

    @app.exception_handler(StarletteHTTPException)
    def http(request: Request, error: Exception) -> Response:
        assert isinstance(error, StarletteHTTPException | HTTPException)
        text = str(error.detail) if error.detail != "Not Found" else "There is no such page."
        response = answer(request, error.status_code, text)
        response.headers.update(error.headers or {})
        return response

    @app.exception_handler(RequestValidationError)
    def invalid(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        return answer(request, 422, "The request cannot be used.", tuple(faults_of(error.errors())))

    @app.exception_handler(InputError)
    def refused(request: Request, error: Exception) -> Response:
        assert isinstance(error, InputError)
        return answer(request, 422, "The entry cannot be used; nothing was changed.", error.faults)

    @app.exception_handler(ParquetUnavailableError)
    @app.exception_handler(PaperUnavailableError)
    def unwritten(request: Request, error: Exception) -> Response:
        return answer(request, 503, f"There is no such file here: {error}.")

    @app.exception_handler(StoreUnavailableError)
    def away(request: Request, error: Exception) -> Response:
        return answer(request, 503, f"The store cannot be used now: {error}. Nothing was changed; try again.")

    @app.exception_handler(Exception)
    def defect(request: Request, error: Exception) -> Response:
        """The last border: the error is logged by the server, the reader gets an answer."""
        if request.url.path.startswith(_PROGRAMS):
            return problem_response(500, detail="A defect in the service; its log has the details.")
        return HTMLResponse("<h1>Something is wrong in Dryshift itself</h1><p>Its log has the details.", 500)
