"""Makes the pages an application of the phone: manifest, service worker, the token of waiting taps."""

import json

from fastapi import APIRouter, Request
from fastapi.responses import Response

from monitor.web.frame.guard import TOKEN_PATH, form_token, session_of
from monitor.web.frame.page import STATIC, Web, static_address

MANIFEST_PATH = "/manifest.webmanifest"
WORKER_PATH = "/worker.js"
SHELL = (
    "site.css",
    "idiomorph.min.js",
    "live.js",
    "outbox.js",
    "queue.js",
    "chart.js",
    "bead.js",
    "icon.svg",
)
_ICONS = (
    ("icon-192.png", "192x192", "any"),
    ("icon-512.png", "512x512", "any"),
    ("icon-maskable-512.png", "512x512", "maskable"),
)


def routes(web: Web) -> APIRouter:
    """The three addresses."""
    router = APIRouter(include_in_schema=False)
    sites = web.deps.settings.sites

    @router.get(TOKEN_PATH)
    def token(request: Request) -> dict[str, str]:
        return {"token": form_token(web.deps.key, session_of(request))}

    @router.get(MANIFEST_PATH)
    def manifest() -> Response:
        shop = sites[0].name if len(sites) == 1 else "Dryshift"
        said = {
            "id": "/",
            "name": f"Dryshift, {shop}" if len(sites) == 1 else shop,
            "short_name": "Dryshift",
            "start_url": "/",
            "scope": "/",
            "display": "standalone",
            "lang": web.deps.settings.web.language,
            "background_color": "#12324a",
            "theme_color": "#12324a",
            "icons": [
                {"src": static_address(name), "sizes": sizes, "type": "image/png", "purpose": purpose}
                for name, sizes, purpose in _ICONS
            ],
        }
        return Response(json.dumps(said, ensure_ascii=False), media_type="application/manifest+json")

    @router.get(WORKER_PATH)
    def worker() -> Response:
        # Its own text changes with every file that it keeps, so that a browser takes the new ones.
        shell = json.dumps([static_address(name) for name in SHELL])
        head = f"const SHELL = {shell};\nconst OUTBOX = {json.dumps(static_address('outbox.js'))};\n"
        text = head + (STATIC / "worker.js").read_text(encoding="utf-8")
        return Response(text, media_type="text/javascript", headers={"cache-control": "no-cache"})

    return router
