"""Guides to read and to print: from bare machine to first warning, a lead's card, a line for every alarm."""

from functools import lru_cache
from typing import Any

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import HTMLResponse
from markupsafe import Markup

from monitor.alarms.catalogue import RANK, Catalogue, catalogue_from
from monitor.settings.language import ENGLISH
from monitor.settings.reference import guides_folder, load_toml
from monitor.web.frame.page import Web

GUIDES = (
    "quick-start",
    "lead-card",
    "reviewer",
    "verify",
    "sensor-builder",
)


def routes(web: Web) -> APIRouter:
    """The pages."""
    router = APIRouter(include_in_schema=False)
    language = web.deps.settings.web.language
    catalogue = catalogue_from(load_toml("conditions.toml"))

    @router.get("/guide")
    def listed(request: Request) -> HTMLResponse:
        named = [(name, _guide(language, name)[0]) for name in GUIDES]
        return web.page(request, "guides.html", here="more", guides=named)

    @router.get("/guide/alarms")
    def run_book(request: Request) -> HTMLResponse:
        return web.page(request, "run_book.html", here="more", rows=_rows(catalogue))

    @router.get("/guide/{name}")
    def guide(request: Request, name: str) -> HTMLResponse:
        if name not in GUIDES:
            raise HTTPException(404, "There is no such guide.")
        title, text = _guide(language, name)
        return web.page(request, "guide.html", here="more", title=title, text=text)

    return router


def _rows(catalogue: Catalogue) -> list[dict[str, Any]]:
    """Every kind of alarm with what to do, the most urgent first."""
    kinds = sorted(catalogue.kinds.values(), key=lambda kind: -RANK[kind.priority])
    return [
        {
            "name": kind.name,
            "title": kind.title,
            "priority": str(kind.priority),
            "answers": [
                (catalogue.responses[key], subject) for subject, key in sorted(kind.responses.items())
            ],
        }
        for kind in kinds
    ]


@lru_cache
def _guide(language: str, name: str) -> tuple[str, Markup]:
    """A guide's title and its text, in the language where it was written in that, else in English."""
    from markdown import markdown  # read by whoever opens a guide

    places = [guides_folder() / one / f"{name}.md" for one in (language, ENGLISH)]
    text = next(file for file in places if file.is_file()).read_text(encoding="utf-8")
    title, _, _ = text.removeprefix("# ").partition("\n")
    return title, Markup(markdown(text, extensions=["tables", "fenced_code"]))
