"""The rules of the house that a machine can check: who imports whom, what the core may touch, sizes."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "monitor"
MODULES = sorted(PACKAGE.rglob("*.py"))

FOUNDATION = {"values", "errors"}
CORE = {
    "stages",
    "things",
    "physics",
    "exposure",
    "quality",
    "outlook",
    "alarms",
    "pipeline",
    "snapshot",
    "links",
}
# Which rooms a room may import, besides itself and the foundation.
ALLOWED = {
    "values": set(),
    "errors": set(),
    "reference": set(),
    "clock": set(),
    "links": set(),
    "snapshot": set(),
    "settings_things": set(),
    "settings": {"settings_things"},
    "settings_bounds": set(),
    "settings_file": {"settings", "settings_bounds"},
    "physics": set(),
    "exposure": {"physics"},
    "quality": {"physics"},
    "outlook": {"physics", "exposure"},
    "alarms": {"physics", "exposure", "quality", "outlook"},
    "language": {"reference"},
    "stages": {"physics", "exposure", "quality", "outlook", "alarms", "snapshot"},
    "pipeline": {"stages", "quality", "alarms", "snapshot"},
    "things": {"physics", "exposure"},
    "weather": {"settings", "outlook", "physics", "reference"},
    "store": {"settings", "clock"},
    "ingest": {"settings", "store", "clock", "quality", "reference"},
    "notify": {"settings", "store", "alarms", "clock", "links", "reference", "snapshot"},
    "report": {
        "settings",
        "store",
        "snapshot",
        "physics",
        "exposure",
        "alarms",
        "outlook",
        "reference",
        "things",
    },
    "web": {
        "settings",
        "store",
        "snapshot",
        "physics",
        "exposure",
        "quality",
        "alarms",
        "outlook",
        "reference",
        "links",
        "report",
        "things",
    },
}
WIRING = {
    "service",
    "cli",
    "__main__",
    "demo",
    "loop",
    "shop",
    "commands",
    "recording",
    "keeping",
    "checking",
    "delivering",
    "deriving",
    "observing",
    "recalling",
    "recounting",
    "stored_air",
    "foreseeing",
    "zone_hours",
    "calendaring",
    "rehearsing",
    "pace",
    "pages",
    "parts",
    "watch",
    "watching",
}
WORLD = {
    "asyncio",
    "http",
    "io",
    "logging",
    "multiprocessing",
    "os",
    "pathlib",
    "random",
    "requests",
    "secrets",
    "socket",
    "sqlalchemy",
    "sqlite3",
    "ssl",
    "subprocess",
    "sys",
    "threading",
    "time",
    "urllib",
    "uuid",
}
CLOCK_CALLS = re.compile(r"\b(time\.(time|monotonic)\w*\(|datetime\.(now|utcnow|today)\(|date\.today\()")


def room_of(module: Path) -> str:
    return module.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imports(module: Path) -> Iterator[tuple[str, bool]]:
    """Every imported module's name, and whether the import stands inside a function."""
    tree = ast.parse(module.read_text(encoding="utf-8"))
    inside = {
        id(node)
        for function in ast.walk(tree)
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef)
        for node in ast.walk(function)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((alias.name, id(node) in inside) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}: write imports in full"
            name = str(node.module)
            yield name, id(node) in inside
            if name == "monitor":
                yield from ((f"monitor.{alias.name}", id(node) in inside) for alias in node.names)


@pytest.mark.parametrize("module", MODULES, ids=lambda m: str(m.relative_to(PACKAGE)))
def test_imports_go_one_way(module: Path) -> None:
    room = room_of(module)
    for name, in_function in imports(module):
        parts = name.split(".")
        if parts[0] == "monitor":
            assert not in_function, f"{name} is imported inside a function"
            target = parts[1] if len(parts) > 1 else ""
            if room in WIRING or room == "__init__" or target in {room, ""} | FOUNDATION:
                continue
            assert target in ALLOWED[room], f"{room} may not import {target}"


@pytest.mark.parametrize(
    "module", [m for m in MODULES if room_of(m) in CORE], ids=lambda m: str(m.relative_to(PACKAGE))
)
def test_the_core_does_not_touch_the_world(module: Path) -> None:
    touched = {name.split(".")[0] for name, _ in imports(module)} & WORLD
    assert not touched, f"the core imports {sorted(touched)}"


def test_one_module_reads_clocks() -> None:
    guilty = [
        str(m.relative_to(ROOT))
        for m in MODULES
        if m.name != "clock.py" and CLOCK_CALLS.search(m.read_text(encoding="utf-8"))
    ]
    assert guilty == []


def test_no_import_cycles_between_rooms() -> None:
    edges = {
        room: {t for m in MODULES if room_of(m) == room for t in targets(m)} - {room}
        for room in map(room_of, MODULES)
    }
    finished: set[str] = set()
    while len(finished) < len(edges):
        free = {room for room, wants in edges.items() if room not in finished and wants <= finished}
        assert free, f"a cycle among {sorted(set(edges) - finished)}"
        finished |= free


def targets(module: Path) -> set[str]:
    names = (name.split(".") for name, _ in imports(module))
    rooms = {room_of(m) for m in MODULES}
    return {parts[1] for parts in names if parts[0] == "monitor" and len(parts) > 1} & rooms


@pytest.mark.parametrize("module", MODULES, ids=lambda m: str(m.relative_to(PACKAGE)))
def test_modules_and_functions_stay_small_and_say_what_they_are_for(module: Path) -> None:
    text = module.read_text(encoding="utf-8")
    assert text.count("\n") <= 400, "a module has at most 400 lines"
    tree = ast.parse(text)
    assert ast.get_docstring(tree), "a module's first line says why it exists"
    assert not re.search(r"(utils?|helpers?|common|managers?|base)\.py$", module.name)
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            body = node.body[1:] if ast.get_docstring(node) else node.body
            lines = (body[-1].end_lineno or 0) - body[0].lineno + 1 if body else 0
            assert lines <= 50, f"{node.name} has {lines} lines"


def test_the_top_level_holds_what_the_design_says() -> None:
    allowed = {
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "pyproject.toml",
        "monitor",
        "config",
        "deploy",
        "tests",
        "shared",
    }
    found = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")}
    assert found - allowed == set()


def test_nothing_names_a_machine_path_or_a_registry() -> None:
    pattern = re.compile(r"/(work|root|home/\w+)/|pypi\.org|pythonhosted|registry\.npmjs|deb\.debian")
    for file in [
        p for folder in ("monitor", "config", "deploy", "tests", "shared") for p in (ROOT / folder).rglob("*")
    ]:
        if file.suffix in {
            ".py",
            ".toml",
            ".md",
            ".sh",
            ".json",
            ".html",
            ".css",
            ".conf",
            ".service",
        } and file != Path(__file__):
            found = pattern.search(file.read_text(encoding="utf-8"))
            assert not found, f"{file.relative_to(ROOT)} names {found and found.group()}"
