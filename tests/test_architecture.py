"""The rules of the house that a machine can check, one rule a test, which lists everything that breaks it."""

import ast
import importlib
import re
import tomllib
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from monitor.model.data_tables import Status
from monitor.model.device import Sensor
from monitor.model.limits import Limits
from monitor.model.place import Zone
from monitor.model.section import Section
from monitor.model.shop_rule import ShopRule
from monitor.model.staff import OnCall
from monitor.model.thing import Cylinder, Plate
from monitor.model.warning_times import WarningTimes
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "monitor"

# Every room: what it may import of ours, and what of others; nothing else.
PURE = (
    "bisect collections dataclasses datetime enum functools itertools math numpy statistics typing zoneinfo"
)
ROOMS: dict[str, tuple[str, str]] = {
    "model": ("", f"{PURE} pydantic re"),
    "clock": ("", "threading time typing"),
    "wire": (
        "model clock",
        f"{PURE} contextlib contextvars email fcntl http ipaddress json logging pathlib re requests resource "
        "signal socket ssl struct subprocess sys threading types urllib urllib3",
    ),
    "physics": ("model", PURE),
    "consumables": ("model physics", PURE),
    "beads": ("model physics consumables", f"{PURE} fractions re"),
    "gas": ("model physics", PURE),
    "history": ("model consumables beads", f"{PURE} msgspec"),
    "sensors": ("model physics history", f"{PURE} msgspec"),
    "outlook": ("model physics consumables", f"{PURE} icalendar recurring_ical_events"),
    "alarms": ("model", PURE),
    "core": ("model physics sensors consumables outlook alarms", PURE),
    "settings": (
        "model",
        f"{PURE} base64 binascii difflib gettext io ipaddress json pathlib polib pydantic pydantic_settings "
        "re string tomllib",
    ),
    "access": (
        "model wire alarms settings store",
        f"{PURE} argon2 contextlib hashlib hmac pathlib secrets sqlite3 threading unicodedata zxcvbn",
    ),
    "store": (
        "model clock wire settings",
        f"{PURE} alembic contextlib fcntl hashlib heapq influxdb_client json logging os pathlib pyarrow "
        "psycopg queue re rfc8785 secrets shutil sqlalchemy sqlite3 stat struct subprocess tempfile textwrap "
        "threading time urllib urllib3 zlib",
    ),
    "mqtt": (
        "model clock sensors settings store",
        f"{PURE} asyncio base64 binascii contextlib cryptography fcntl grp hashlib hmac iotcore ipaddress "
        "json jsonpointer logging msgspec os paho pathlib pydantic random re secrets selectors signal socket "
        "ssl struct sys tempfile threading types",
    ),
    "weather": (
        "model wire physics outlook settings store",
        f"{PURE} contextlib csv email gzip hashlib importlib io json pathlib re",
    ),
    "notify": (
        "model clock wire alarms settings store",
        f"{PURE} apprise base64 binascii contextlib cryptography email gettext hashlib hmac html "
        "http_ece json logging os pathlib py_vapid requests secrets shutil "
        "smtplib socket ssl threading urllib",
    ),
    "report": (
        "model physics consumables beads history sensors outlook alarms settings store",
        f"{PURE} csv html importlib io json pyarrow re zipfile",
    ),
    "web": (
        "model physics consumables beads gas history sensors outlook alarms settings store access notify "
        "report",
        f"{PURE} asyncio contextlib csv errno fastapi fractions hashlib hmac http icalendar io ipaddress "
        "jinja2 json markdown markupsafe pathlib platform prometheus_client pydantic re resource secrets "
        "segno shutil socket starlette threading urllib uvicorn",
    ),
    "demo": (
        "model clock physics consumables history outlook alarms core settings store mqtt weather",
        f"{PURE} contextlib heapq http json os paho pathlib shutil tempfile threading",
    ),
    "engine": (
        "model clock physics consumables beads history sensors outlook alarms core settings store access "
        "mqtt weather notify report web demo",
        f"{PURE} apscheduler contextlib hashlib json logging msgspec pathlib secrets threading",
    ),
    "fleet": (
        "model clock settings store access web engine",
        f"{PURE} contextlib gc importlib logging multiprocessing os pathlib pydantic random signal tomllib",
    ),
    "cli": (
        "model clock wire history outlook alarms settings store access mqtt weather notify report web demo "
        "engine fleet",
        f"{PURE} base64 click contextlib errno gc grp importlib io json logging os pathlib pydantic re "
        "secrets segno signal socket ssl subprocess sys tempfile threading time tomllib tqdm urllib",
    ),
    "__main__": ("cli", ""),
}
PURE_ROOMS = {
    room for room, (_, others) in ROOMS.items() if not {"pathlib", "threading"} & set(others.split())
}
OPENS_THE_WORLD = {"open", "eval", "exec", "compile", "__import__", "input", "print", "breakpoint"}
CLOCK_READERS = {"now", "utcnow", "today"}
MOMENTS = {"time", "monotonic", "time_ns", "monotonic_ns", "perf_counter", "localtime", "gmtime"}


@dataclass(frozen=True)
class Module:
    """A file of the package, parsed once."""

    path: Path

    @cached_property
    def text(self) -> str:
        return self.path.read_text(encoding="utf-8")

    @cached_property
    def tree(self) -> ast.Module:
        return ast.parse(self.text)

    @cached_property
    def nodes(self) -> list[ast.AST]:
        return list(ast.walk(self.tree))

    @property
    def name(self) -> str:
        return ".".join(self.path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")

    @property
    def room(self) -> str:
        return self.path.relative_to(PACKAGE).parts[0].removesuffix(".py")

    @cached_property
    def imports(self) -> list[tuple[str, int]]:
        """The names of all that is imported, whole, with its line."""
        found = []
        for node in self.nodes:
            if isinstance(node, ast.Import):
                found += [(alias.name, node.lineno) for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                found += [
                    (f"{'.' * node.level}{node.module}.{alias.name}", node.lineno) for alias in node.names
                ]
        return found


MODULES = {module.name: module for path in sorted(PACKAGE.rglob("*.py")) if (module := Module(path))}


def ours(name: str) -> str | None:
    """The module of ours that an imported name stands in."""
    while name not in MODULES and "." in name:
        name = name.rpartition(".")[0]
    return name if name in MODULES and name != "monitor" else None


def test_a_room_imports_only_what_its_row_allows() -> None:
    broken = []
    for module in MODULES.values():
        rooms, others = map(str.split, ROOMS.get(module.room, ("", "")))
        for name, line in module.imports:
            parts = name.split(".")
            if parts[0] != "monitor":
                if parts[0] not in others and module.room != "__init__":
                    broken.append(f"{module.name}:{line} imports {name}")
            elif len(parts) > 2 and parts[1] not in [*rooms, module.room]:
                broken.append(f"{module.name}:{line} imports {name}")
    assert not broken, "\n".join(broken)


def test_rooms_stand_in_one_order_and_no_module_is_in_a_circle() -> None:
    wants = {
        module.name: {target for name, _ in module.imports if (target := ours(name))} - {module.name}
        for module in MODULES.values()
    }
    finished: set[str] = set()
    while len(finished) < len(wants):
        free = {name for name, needs in wants.items() if name not in finished and needs <= finished}
        assert free, f"a circle among {sorted(set(wants) - finished)}"
        finished |= free
    rooms_want = {room: set(rooms.split()) for room, (rooms, _) in ROOMS.items()}
    done: set[str] = set()
    while len(done) < len(rooms_want):
        free_rooms = {room for room, needs in rooms_want.items() if room not in done and needs <= done}
        assert free_rooms, f"a circle among the rooms {sorted(set(rooms_want) - done)}"
        done |= free_rooms


def test_nothing_of_ours_is_imported_inside_a_function_or_by_a_relative_name() -> None:
    broken = []
    for module in MODULES.values():
        inside = {
            id(node)
            for function in module.nodes
            if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef)
            for node in ast.walk(function)
        }
        for node in module.nodes:
            if isinstance(node, ast.ImportFrom) and node.level:
                broken.append(f"{module.name}:{node.lineno} write imports in full")
            elif isinstance(node, ast.ImportFrom | ast.Import) and id(node) in inside:
                names = [getattr(node, "module", None) or "", *(alias.name for alias in node.names)]
                if any(name.split(".")[0] == "monitor" for name in names):
                    broken.append(f"{module.name}:{node.lineno} imports inside a function")
    assert not broken, "\n".join(broken)


def test_pure_rooms_open_nothing() -> None:
    broken = [
        f"{module.name}:{node.lineno} calls {node.func.id}"
        for module in MODULES.values()
        if module.room in PURE_ROOMS
        for node in module.nodes
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in OPENS_THE_WORLD
    ]
    assert not broken, "\n".join(broken)


def test_only_the_clock_reads_clocks() -> None:
    broken = []
    for module in MODULES.values():
        if module.name == "monitor.clock":
            continue
        for node in module.nodes:
            named = isinstance(node, ast.Attribute) and node.attr in CLOCK_READERS
            if named and ast.unparse(node.value).split(".")[-1] in _date_names(module):
                broken.append(f"{module.name}:{node.lineno} {ast.unparse(node)}")
            timed = isinstance(node, ast.Attribute) and node.attr in MOMENTS
            if timed and ast.unparse(node.value) in _time_names(module):
                broken.append(f"{module.name}:{node.lineno} {ast.unparse(node)}")
            if isinstance(node, ast.ImportFrom) and node.module == "time":
                broken += [f"{module.name}:{node.lineno} {a.name}" for a in node.names if a.name != "sleep"]
    assert not broken, "\n".join(broken)


def _date_names(module: Module) -> set[str]:
    found = {"datetime", "date"}
    for node in module.nodes:
        if isinstance(node, ast.ImportFrom) and node.module == "datetime":
            found |= {
                alias.asname or alias.name for alias in node.names if alias.name in {"datetime", "date"}
            }
    return found


def _time_names(module: Module) -> set[str]:
    return {
        alias.asname or alias.name
        for node in module.nodes
        if isinstance(node, ast.Import)
        for alias in node.names
        if alias.name == "time"
    }


def functions(module: Module) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    for node in module.nodes:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node


def test_modules_and_functions_stay_small_and_say_what_they_are_for() -> None:
    broken = []
    for module in MODULES.values():
        lines = module.text.count("\n")
        if lines > 400:
            broken.append(f"{module.name} has {lines} lines; a module has at most 400")
        if not ast.get_docstring(module.tree):
            broken.append(f"{module.name}: its first line says why it exists")
        if re.search(r"(utils?|helpers?|common|managers?|base)\.py$", module.path.name):
            broken.append(f"{module.name}: a name says what is inside")
        for node in functions(module):
            body = node.body[1:] if ast.get_docstring(node) else node.body
            long = (body[-1].end_lineno or 0) - body[0].lineno + 1 if body else 0
            if long > 50:
                broken.append(f"{module.name}: {node.name} has {long} lines; a function has at most 50")
    assert not broken, "\n".join(broken)


def test_no_module_lies_loose_but_the_clock_and_the_entry_point() -> None:
    loose = {path.name for path in PACKAGE.glob("*.py")}
    assert loose <= {"__init__.py", "__main__.py", "clock.py"}


def test_a_class_name_is_given_once() -> None:
    where = defaultdict(list)
    for module in MODULES.values():
        for node in module.nodes:
            if isinstance(node, ast.ClassDef):
                where[node.name].append(module.name)
    assert {name: places for name, places in where.items() if len(places) > 1} == {}


def test_no_record_repeats_a_noun_of_the_settings() -> None:
    nouns = {kind.__name__: set(kind.model_fields) for kind in _kinds_of(Section)}
    broken = []
    for module in MODULES.values():
        for node in module.nodes:
            if not isinstance(node, ast.ClassDef) or node.name in nouns:
                continue
            own = _fields_of(node)
            broken += [
                f"{module.name}.{node.name} repeats {sorted(own & fields)} of {noun}"
                for noun, fields in nouns.items()
                if len(own) >= 4 and len(own & fields) >= 0.8 * len(own)
            ]
    assert not broken, "\n".join(broken)


def test_the_record_types_of_a_room_become_no_more() -> None:
    """A truth has one type: who adds a record retires a mirror, or says why on the list."""
    there = Counter(
        module.room
        for module in MODULES.values()
        for node in module.nodes
        if isinstance(node, ast.ClassDef)
        and (
            any("dataclass" in ast.unparse(mark) for mark in node.decorator_list)
            or "NamedTuple" in {ast.unparse(base) for base in node.bases}
        )
    )
    listed = tomllib.loads((ROOT / "tests" / "records.toml").read_text(encoding="utf-8"))["records"]
    assert dict(there) == listed, (
        "more: retire one that mirrors another; fewer: write the smaller number down"
    )


def _fields_of(kind: ast.ClassDef) -> set[str]:
    named = [one.target for one in kind.body if isinstance(one, ast.AnnAssign)]
    fields = {one.id for one in named if isinstance(one, ast.Name)}
    if "Protocol" in {ast.unparse(base) for base in kind.bases}:
        fields |= {one.name for one in kind.body if isinstance(one, ast.FunctionDef)}
    return fields


SHARED_FILE_NAMES: dict[str, str] = {}


def test_a_file_name_is_given_once() -> None:
    where = defaultdict(list)
    for module in MODULES.values():
        if module.path.name != "__init__.py":
            where[module.path.name].append(module.name)
    twice = {name: places for name, places in where.items() if len(places) > 1}
    assert {name: places for name, places in twice.items() if name not in SHARED_FILE_NAMES} == {}


def test_every_setting_is_read_by_the_product() -> None:
    """A check by the room of settings alone is no use of a setting."""
    read = {
        node.attr
        for module in MODULES.values()
        if module.room != "settings"
        for node in module.nodes
        if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Load)
    }
    unread = [
        f"{kind.__name__}.{name}"
        for kind in (Settings, *_kinds_of(Section))
        for name in kind.model_fields
        if name not in read
    ]
    assert not unread, unread


def _kinds_of(kind: type[BaseModel]) -> Iterator[type[BaseModel]]:
    for one in kind.__subclasses__():
        yield one
        yield from _kinds_of(one)


FRAMEWORK_CALLS = re.compile(
    r"(route|get|post|validator|command|group|option|property|overload|override|setter)"
)


PAGES = "\n".join(file.read_text(encoding="utf-8") for file in PACKAGE.rglob("*.html"))


def _uses() -> set[str]:
    """Whole names of what modules import, take from an imported module, or read at home."""
    used: set[str] = set()
    for module in MODULES.values():
        known: dict[str, str] = {}
        for node in module.nodes:
            if isinstance(node, ast.ImportFrom):
                known |= {a.asname or a.name: f"{node.module}.{a.name}" for a in node.names}
        used |= set(known.values())
        for node in module.nodes:
            if isinstance(node, ast.Name):
                used.add(f"{module.name}.{node.id}")
            elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                used.add(f"{known.get(node.value.id)}.{node.attr}")
    return used


# Called by the name of their module: the pages' routes, and the steps of the ledger's layout.
CALLED_FROM_A_LIST = re.compile(r"monitor\.web\.pages\.\w+\.routes|.*\.versions\.m\d+_\w+\.upgrade")


def test_every_public_function_and_class_is_used_by_the_product() -> None:
    used = _uses()
    idle = [
        name
        for module in MODULES.values()
        for node in module.tree.body
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)
        and not node.name.startswith("_")
        and not any(FRAMEWORK_CALLS.search(ast.unparse(one)) for one in node.decorator_list)
        and (name := f"{module.name}.{node.name}") not in used
        and not CALLED_FROM_A_LIST.fullmatch(name)
        and not re.search(rf"\b{node.name}\(", PAGES)
    ]
    assert not idle, "\n".join(idle)


CALLED_BY_LIBRARIES = {
    "format_commands",
    "settings_customise_sources",
    "collect",
    "do_POST",
    "log_message",
    "main_loop",
    "preprocess",
}


def test_every_public_method_is_named_by_the_product() -> None:
    """By its bare name, so a namesake hides an idle one; what the pages or a text name counts as used."""
    named = {node.attr for m in MODULES.values() for node in m.nodes if isinstance(node, ast.Attribute)}
    named |= {
        node.arg for m in MODULES.values() for node in m.nodes if isinstance(node, ast.keyword) and node.arg
    }
    named |= {str(node.value) for m in MODULES.values() for node in m.nodes if isinstance(node, ast.Constant)}
    named |= set(re.findall(r"\w+", PAGES)) | CALLED_BY_LIBRARIES
    idle = [
        f"{module.name}.{owner.name}.{node.name}"
        for module in MODULES.values()
        for owner in module.nodes
        if isinstance(owner, ast.ClassDef)
        for node in owner.body
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and not node.name.startswith("_")
        and not any(
            FRAMEWORK_CALLS.search(ast.unparse(one))
            for one in node.decorator_list
            if not isinstance(one, ast.Name)
        )
        and node.name not in named
    ]
    assert not idle, "\n".join(idle)


# Numbers that say where they come from in a comment and may stay: the bounds and the default of settings.
SAID_IN_CODE = {"monitor.settings.bounds", "monitor.consumables.exposure_air"}


def test_a_number_that_says_where_it_comes_from_stands_in_the_data() -> None:
    """A trade number's provenance is a field beside it (`status`, `source`), not a comment in code."""
    said = re.compile(
        r"^[^\"#]*=[^\"#]*\d[^\"#]*#.*\b(common practice|from memory|published|nobody publishes)"
    )
    found = [
        f"{module.name}:{number} {line.strip()}"
        for module in MODULES.values()
        if module.room != "demo" and module.name not in SAID_IN_CODE
        for number, line in enumerate(module.text.splitlines(), 1)
        if said.search(line)
    ]
    assert not found, "\n".join(found)


NUMBERS = tomllib.loads((ROOT / "tests" / "numbers.toml").read_text(encoding="utf-8"))
JUDGE_NOTHING = {"store", "wire", "clock", "cli", "demo", "__main__", "__init__"}


def numbers_named(body: list[ast.stmt], before: str = "") -> Iterator[str]:
    """What a module or class gives a number to, parameters with a default too; 0, 1 and -1 left out."""
    for node in body:
        given: list[tuple[str, ast.expr | None]] = []
        if isinstance(node, ast.ClassDef):
            yield from numbers_named(node.body, f"{before}{node.name}.")
        elif isinstance(node, ast.Assign):
            given = [(", ".join(map(ast.unparse, node.targets)), node.value)]
        elif isinstance(node, ast.AnnAssign):
            given = [(ast.unparse(node.target), node.value)]
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            plain, named = [*node.args.posonlyargs, *node.args.args], node.args.kwonlyargs
            rows = [*zip(plain[::-1], node.args.defaults[::-1], strict=False)]
            rows += [*zip(named, node.args.kw_defaults, strict=True)]
            given = [(f"{node.name}({argument.arg})", value) for argument, value in rows]
        for name, value in given:
            found = (
                []
                if value is None
                else [one.value for one in ast.walk(value) if isinstance(one, ast.Constant)]
            )
            if any(
                (type(one) is float and one != 0.0) or (type(one) is int and abs(one) > 1) for one in found
            ):
                yield f"{before}{name}"


def test_a_number_that_decides_what_is_told_stands_in_the_data() -> None:
    """A new number in code is moved to shared/ with its provenance, or listed under what it is otherwise."""
    listed = [
        f"{module}: {name}"
        for table in NUMBERS.values()
        for module, names in table.items()
        if module != "why"
        for name in names
    ]
    there = {
        f"{module.name.removeprefix('monitor.')}: {name}"
        for module in MODULES.values()
        if module.room not in JUDGE_NOTHING
        for name in numbers_named(module.tree.body)
    }
    broken = [f"{one}: move it to shared/, or list it in tests/numbers.toml" for one in there - set(listed)]
    broken += [f"{one}: is not there any more, take it off tests/numbers.toml" for one in set(listed) - there]
    broken += [f"{one}: is listed twice" for one, count in Counter(listed).items() if count > 1]
    assert not broken, "\n".join(sorted(broken))


def test_a_number_of_the_method_is_the_one_in_the_data() -> None:
    """Code names it where it is used; the row in shared/method.toml says where it comes from."""
    rows = load_toml("method.toml")
    listed = {
        f"{module}.{name}" for module, names in NUMBERS["method"].items() if module != "why" for name in names
    }
    assert set(rows) == listed
    for place, row in rows.items():
        room, file, *names = place.split(".")
        held: Any = importlib.import_module(f"monitor.{room}.{file}")
        for name in names[:-1]:
            held = getattr(held, name)
        of_record = getattr(held, "__dataclass_fields__", {}).get(names[-1])
        assert row["value"] == (of_record.default if of_record else getattr(held, names[-1])), place
        assert row["status"] in {*Status, "derived"}, place
        assert row["source"], place
        assert row["unit"], place


def test_a_default_of_the_trade_has_its_provenance_in_the_data() -> None:
    rows = load_toml("defaults.toml")
    sections = {
        section.__name__: section for section in (Limits, ShopRule, Sensor, Zone, OnCall, Cylinder, Plate)
    }
    sections["WarningTimes"] = WarningTimes
    listed = {name for module, names in NUMBERS["defaults"].items() if module != "why" for name in names}
    assert {f"{table}.{name}" for table, names in rows.items() for name in names} == listed
    for table, names in rows.items():
        for name, row in names.items():
            assert row["value"] == sections[table].model_fields[name].default, f"{table}.{name}"
            assert row["status"] in set(Status)
            assert row["unit"]
            assert row["source"]


def test_the_top_level_holds_what_the_design_says() -> None:
    allowed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"}
    allowed |= {"monitor", "config", "deploy", "tests", "shared"}
    found = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")}
    assert found - allowed == set()


def test_nothing_names_a_machine_path_or_a_registry() -> None:
    pattern = re.compile(r"/(work|root|home/\w+)/|pypi\.org|pythonhosted|registry\.npmjs|deb\.debian")
    suffixes = {".py", ".toml", ".md", ".sh", ".json", ".html", ".css", ".conf", ".service", ".txt"}
    broken = []
    for folder in ("monitor", "config", "deploy", "tests", "shared"):
        for file in (ROOT / folder).rglob("*"):
            if file.suffix in suffixes and file != Path(__file__):
                found = pattern.search(file.read_text(encoding="utf-8"))
                if found:
                    broken.append(f"{file.relative_to(ROOT)} names {found.group()}")
    assert not broken, "\n".join(broken)
