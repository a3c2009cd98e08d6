"""The page of all shops, the worst first; each leads to its shop's own pages."""

from collections.abc import Callable, Sequence

from fastapi import FastAPI, Request
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse
from fastapi.staticfiles import StaticFiles
from jinja2 import Environment, PackageLoader, StrictUndefined

from monitor.model.level import Level
from monitor.settings.schema import WebSection
from monitor.store.contract import StoreUnavailableError
from monitor.store.fleet_book import ShopStanding
from monitor.web import live
from monitor.web.frame import look
from monitor.web.frame.guard import Guard
from monitor.web.frame.own_names import own_names
from monitor.web.frame.page import STATIC

SPEAKS_S = 15.0  # what a shop's process said longer ago is no word of now
NOBODY = "judged by nobody"


def create_fleet_app(
    read: Callable[[], Sequence[ShopStanding]], shops: Sequence[str], section: WebSection
) -> FastAPI:
    """An application that shows these shops by what `read` says of them."""
    app = FastAPI(title="Dryshift, all shops", docs_url=None, redoc_url=None, openapi_url=None)
    app.state.stopping = live.Stopping()
    app.state.proxies = frozenset(str(one) for one in section.proxies)
    pages = Environment(
        loader=PackageLoader("monitor.web", "templates"), autoescape=True, undefined=StrictUndefined
    )

    def now() -> list[ShopStanding]:
        return worst_first(read(), shops)

    @app.get("/", response_class=HTMLResponse)
    def overview() -> HTMLResponse:
        html = pages.get_template("fleet.html").render(shops=now(), look=look, levels=Level)
        return HTMLResponse(html, headers={"cache-control": "no-cache"})

    @app.get("/shops.json")
    def as_json() -> JSONResponse:
        return JSONResponse([one._asdict() for one in now()], headers={"cache-control": "no-cache"})

    @app.get("/shop/{shop}")
    def lead_to(shop: str) -> RedirectResponse:
        url = next((one.url for one in now() if one.id == shop and one.url), "/")
        return RedirectResponse(url, status_code=307)

    @app.get("/healthz")
    def alive() -> JSONResponse:
        return JSONResponse({"ok": True})

    @app.get("/readyz")
    def ready() -> JSONResponse:
        alone = [one.id for one in now() if not one.url]
        return JSONResponse({"ok": not alone, NOBODY: alone}, status_code=503 if alone else 200)

    @app.exception_handler(StoreUnavailableError)
    def away(_: Request, error: Exception) -> JSONResponse:
        return JSONResponse({"ok": False, "why": str(error)}, status_code=503)

    app.mount("/static", StaticFiles(directory=STATIC))
    app.add_middleware(Guard, names=own_names(section))
    return app


def worst_first(told: Sequence[ShopStanding], shops: Sequence[str]) -> list[ShopStanding]:
    """Every shop once, as it stands now; one of which nobody says anything is not known, and comes first."""
    by_id = {one.id: one for one in told}
    found = [_of_now(by_id.get(shop, ShopStanding(shop, "", "", Level.UNKNOWN, NOBODY))) for shop in shops]
    return sorted(found, key=lambda one: (bool(one.url), look.risk_rank(Level(one.level)), one.id))


def _of_now(one: ShopStanding) -> ShopStanding:
    if one.url and one.age_s <= SPEAKS_S:
        return one
    why = one.headline if not one.url else f"{NOBODY} for {one.age_s:.0f} s; was: {one.headline}"
    return one._replace(url="", level=Level.UNKNOWN, headline=why)
