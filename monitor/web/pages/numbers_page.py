"""The page that says how far each computed number may be off, and what it was checked against."""

from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from monitor.settings.reference import load_json, load_toml, shared_folder
from monitor.web.frame.page import Web

CHECKS = "physics_checks.json"
NOTES = "physics_notes.toml"
METHOD = "method.toml"


@dataclass(frozen=True, slots=True)
class NumberCheck:
    """One quantity against one source."""

    quantity: str
    worst: float
    bound: float
    unit: str
    source: str
    tested_on: str

    @property
    def share_frac(self) -> float:
        """How much of the bound the worst distance uses up."""
        return self.worst / self.bound if self.bound > 0 else 0.0


def routes(web: Web) -> APIRouter:
    """The page."""
    router = APIRouter(include_in_schema=False)

    @router.get("/numbers")
    def numbers(request: Request, find: Annotated[str, Query(max_length=80)] = "") -> HTMLResponse:
        content = load_json(CHECKS) if (shared_folder() / CHECKS).is_file() else {}
        notes = load_toml(NOTES) if (shared_folder() / NOTES).is_file() else {}
        checks, differing = checks_of(content), notes.get("where_sources_disagree", [])
        method = load_toml(METHOD)
        return web.page(
            request,
            "numbers.html",
            here="more",
            checks=[one for one in checks if _fits(find, one.quantity, one.source)],
            against=content.get("against", {}),
            disagreements=[one for one in differing if _fits(find, *map(str, one.values()))],
            method={at: row for at, row in method.items() if _fits(find, at, str(row["source"]))},
            find=find,
            total=len(checks) + len(differing) + len(method),
        )

    return router


def _fits(find: str, *texts: str) -> bool:
    """Whether every word that is looked for stands somewhere."""
    said = " ".join(texts).lower().replace("_", " ")
    return all(word in said for word in find.lower().replace("_", " ").split())


def checks_of(content: dict[str, Any]) -> list[NumberCheck]:
    """The rows of the file of checks, by quantity."""
    rows = [
        NumberCheck(
            quantity=str(row["quantity"]),
            worst=float(row["worst"]),
            bound=float(row["bound"]),
            unit=str(row["unit"]),
            source=str(row["source"]),
            tested_on=str(row.get("tested_on", "")),
        )
        for row in content.get("checks", [])
    ]
    return sorted(rows, key=lambda row: (row.quantity, row.source))
