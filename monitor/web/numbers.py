"""The page that says how far each computed number may be off, and what it was checked against."""

from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from monitor.reference import load_json, load_toml, shared_folder
from monitor.web.page import Web

CHECKS = "physics_checks.json"
NOTES = "physics_notes.toml"


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the reference data, as it lies in the file."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def routes(web: Web) -> APIRouter:
    """The page."""
    router = APIRouter(include_in_schema=False)

    @router.get("/numbers")
    def numbers(request: Request) -> HTMLResponse:
        return web.page(request, "numbers.html", here="more", tables=tables())

    return router


def tables() -> list[Table]:
    """Everything the two files hold; a file that is not there gives nothing."""
    found: list[Table] = []
    if (shared_folder() / CHECKS).is_file():
        found += list(_tables_of("Checks", load_json(CHECKS)))
    if (shared_folder() / NOTES).is_file():
        found += list(_tables_of("Notes", load_toml(NOTES)))
    return found


def _tables_of(title: str, content: Any) -> list[Table]:
    if isinstance(content, list):
        rows = [row for row in content if isinstance(row, dict)]
        columns = tuple(dict.fromkeys(str(name) for row in rows for name in row))
        cells = tuple(tuple(_text(row.get(name, "")) for name in columns) for row in rows)
        return [Table(title, columns, cells)] if rows else []
    if isinstance(content, dict):
        plain = {name: value for name, value in content.items() if not isinstance(value, dict | list)}
        found = []
        if plain:
            rows_ = tuple((_words(name), _text(value)) for name, value in plain.items())
            found.append(Table(title, ("", ""), rows_))
        for name, value in content.items():
            if isinstance(value, dict | list):
                found += _tables_of(_words(name), value)
        return found
    return []


def _words(name: str) -> str:
    return name.replace("_", " ").capitalize()


def _text(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, list):
        return ", ".join(_text(item) for item in value)
    return str(value)
