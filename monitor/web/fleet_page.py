"""The page of all shops, the worst first, for its own people alone; each leads to its shop's own pages."""

from collections.abc import Callable, Sequence
from typing import Any
from urllib.parse import quote

from fastapi import FastAPI, HTTPException, Request
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse
from fastapi.staticfiles import StaticFiles
from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

from monitor.access.desk import AccessDesk
from monitor.model.level import Level
from monitor.settings.fleet_file import SHOP_PATH
from monitor.settings.schema import Settings
from monitor.settings.sentences import sentences
from monitor.store.fleet_book import ShopStanding
from monitor.web import live
from monitor.web.frame import look
from monitor.web.frame.error_pages import handle_errors
from monitor.web.frame.gate import Gate
from monitor.web.frame.guard import Guard, form_token, session_of
from monitor.web.frame.own_names import own_names
from monitor.web.frame.page import STATIC, static_address
from monitor.web.frame.page_language import speak
from monitor.web.frame.person import person_of, session_in
from monitor.web.frame.show import Show
from monitor.web.pages import account_page, join_page, log_in_page, people_page

SPEAKS_S = 15.0  # what a shop's process said longer ago is no word of now
NOBODY = "judged by nobody"
_OF_ACCOUNTS = (log_in_page, join_page, account_page, people_page)


class FleetPages:
    """Implements Pages, and is what they work with; templates of `fleet/` come before a shop's."""

    def __init__(self, settings: Settings, key: bytes, desk: AccessDesk) -> None:
        self.settings = settings
        self.key = key
        self.desk: AccessDesk | None = desk
        templates = [PackageLoader("monitor.web", f"templates{below}") for below in ("/fleet", "")]
        self._env = Environment(
            loader=ChoiceLoader(templates),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        speak(self._env, sentences(settings.web.language), twelve=settings.web.clock == "12")
        self._env.globals.update(
            show=Show(settings),
            look=look,
            Level=Level,
            settings=settings,
            static=static_address,
            shop=settings.sites[0].name,
        )

    @property
    def deps(self) -> "FleetPages":
        """Itself."""
        return self

    def page(self, request: Request, template: str, status: int = 200, **context: Any) -> HTMLResponse:
        """A whole page."""
        html = self._env.get_template(template).render(
            path=request.url.path,
            token=form_token(self.key, session_of(request)),
            who=person_of(self.settings, request, ""),
            me=session_in(request),
            reads=getattr(request.state, "reads", False),
            accounts=True,
            **context,
        )
        return HTMLResponse(html, status_code=status, headers={"cache-control": "no-store"})


def create_fleet_app(
    read: Callable[[], Sequence[ShopStanding]], shops: Sequence[str], pages: FleetPages
) -> FastAPI:
    """An application that shows these shops by what `read` says of them, to whom the desk lets in."""
    web = pages.settings.web
    app = FastAPI(title="Dryshift, all shops", docs_url=None, redoc_url=None, openapi_url=None)
    app.state.stopping = live.Stopping()
    app.state.proxies = frozenset(str(one) for one in web.proxies)
    for room in _OF_ACCOUNTS:
        app.include_router(room.routes(pages))
    _routes(app, lambda: worst_first(read(), shops), pages)
    handle_errors(app, pages)
    app.mount("/static", StaticFiles(directory=STATIC))
    assert pages.desk is not None
    app.add_middleware(Gate, desk=pages.desk, settings=pages.settings, shut=True, passed=(SHOP_PATH,))
    app.add_middleware(Guard, names=own_names(web), mark=web.cookie_mark)
    return app


def _routes(app: FastAPI, now: Callable[[], list[ShopStanding]], pages: FleetPages) -> None:
    @app.get("/")
    def overview(request: Request) -> HTMLResponse:
        return pages.page(request, "shops.html", here="now", shops=now(), linked=True)

    @app.get("/wall")
    def wall(request: Request) -> HTMLResponse:
        """The same without a way on, for a screen that only shows."""
        return pages.page(request, "shops.html", here="now", shops=now(), linked=False)

    @app.get("/api/shops")
    def as_json() -> JSONResponse:
        return JSONResponse([one._asdict() for one in now()], headers={"cache-control": "no-cache"})

    @app.get(f"{SHOP_PATH}{{shop}}/{{path:path}}")
    def lead_on(request: Request, shop: str, path: str) -> RedirectResponse:
        """On to where a shop's pages are now; they let in by themselves, so a link in a message leads on."""
        url = next((one.url for one in now() if one.id == shop and one.url), None)
        if url is None:
            raise HTTPException(503, "No such shop answers now. Try again in half a minute.")
        asked = f"?{request.url.query}" if request.url.query else ""
        return RedirectResponse(f"{url}/{quote(path)}{asked}", status_code=307)

    @app.get(f"{SHOP_PATH}{{shop}}")
    def lead_to(request: Request, shop: str) -> RedirectResponse:
        return lead_on(request, shop, "")

    @app.get("/healthz")
    def alive() -> JSONResponse:
        return JSONResponse({"ok": True})

    @app.get("/readyz")
    def ready() -> JSONResponse:
        """How many and not which: whoever asks has no log-in."""
        alone = sum(not one.url for one in now())
        return JSONResponse({"ok": not alone, NOBODY: alone}, status_code=503 if alone else 200)


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
