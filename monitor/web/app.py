"""Puts the pages and the JSON interface together into one application."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from fastapi import FastAPI, Request
from fastapi.responses import HTMLResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.middleware.gzip import GZipMiddleware
from starlette.types import Scope

from monitor.web import live
from monitor.web.frame.deps import WebDeps
from monitor.web.frame.error_pages import handle_errors
from monitor.web.frame.gate import Gate
from monitor.web.frame.guard import Guard
from monitor.web.frame.own_names import own_names
from monitor.web.frame.page import STATIC, Web, make_web
from monitor.web.frame.problems import Problem
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
        app.router.routes.extend(room.routes(web).routes)
    app.router.routes.extend(live.routes(web, stopping).routes)
    app.mount("/static", _Static(directory=STATIC))
    _describe(app, web)
    handle_errors(app, web)
    app.add_middleware(GZipMiddleware, minimum_size=2_000)
    if deps.desk is not None:
        app.add_middleware(Gate, desk=deps.desk, settings=deps.settings)
    app.add_middleware(Guard, names=own_names(deps.settings.web), mark=deps.settings.web.cookie_mark)
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
