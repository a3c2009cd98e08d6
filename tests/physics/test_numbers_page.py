"""The data behind the numbers page: complete, sourced, and no older than the checks."""

import json
import os
import tomllib
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).resolve().parent
SHARED = HERE.parents[1] / "shared"
CHECKS: dict[str, Any] = (
    json.loads((SHARED / "physics_checks.json").read_text(encoding="utf-8"))
    if (SHARED / "physics_checks.json").is_file()
    else {"checks": []}
)
NOTES = tomllib.loads((SHARED / "physics_notes.toml").read_text(encoding="utf-8"))
WRITE = "run `python -m pytest tests/physics --write-checks` and commit shared/physics_checks.json"


def test_the_page_lists_every_check_of_this_run(
    recorded: dict[tuple[str, str], dict[str, Any]], pytestconfig: pytest.Config
) -> None:
    if pytestconfig.getoption("--write-checks", default=False):
        pytest.skip("the page is being written")
    written = {(row["quantity"], row["source"]): row for row in CHECKS["checks"]}
    for key, row in recorded.items():
        assert key in written, f"{key} is not on the page: {WRITE}"
        for part in ("bound", "unit", "test"):
            assert written[key][part] == row[part], f"{key} has another {part}: {WRITE}"


def test_the_page_lists_nothing_that_is_no_longer_checked(
    recorded: dict[tuple[str, str], dict[str, Any]], ran: frozenset[str], pytestconfig: pytest.Config
) -> None:
    for row in CHECKS["checks"]:
        assert (HERE / row["test"]).is_file(), f"{row['test']} is gone: {WRITE}"
    picked = any("::" in argument for argument in pytestconfig.args)
    if picked or pytestconfig.getoption("keyword") or pytestconfig.getoption("markexpr"):
        pytest.skip("only some tests of the modules ran")
    if "DRYSHIFT_OPEN_DATA" not in os.environ:
        ran -= {"test_measured_air.py"}
    stale = [
        row["quantity"]
        for row in CHECKS["checks"]
        if row["test"] in ran and (row["quantity"], row["source"]) not in recorded
    ]
    assert not stale or pytestconfig.getoption("--write-checks", default=False), f"{stale}: {WRITE}"


def test_every_row_keeps_its_bound_and_names_its_source() -> None:
    rows = CHECKS["checks"]
    assert [
        row["quantity"] for row in rows if not row["worst"] <= row["bound"] or not row["source"].strip()
    ] == []


def test_every_note_says_what_differs_by_how_much_and_what_is_done() -> None:
    assert NOTES["where_sources_disagree"]
    for note in NOTES["where_sources_disagree"]:
        assert {"about", "what_differs", "by_how_much", "what_we_do"} <= set(note)
        assert all(str(value).strip() for value in note.values())
