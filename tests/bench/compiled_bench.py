"""Would the pure core pay as compiled code? The same source by mypyc, in a folder of its own, against itself.

    python -m tests.bench.compiled_bench [--sensors 16 100] [--hours 1] [--keep FOLDER]

Needs a C compiler, the headers of Python and setuptools; about a minute of processor time. Compiled are the
rooms that judge, without the modules that mypyc cannot take (`compilable`). In the copy a frozen dataclass is
given a plain constructor in the blank line that follows it, since the one that the library makes at run time
is never compiled. The digests must be equal. What came of it stands in the contributors' guide, *Decisions*.
"""

import argparse
import ast
import resource
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

HERE = Path(__file__).resolve().parents[2]
ROOMS = ("model", "physics", "sensors", "alarms", "core")
# libraries that read annotations or signatures at run time, and what a compiled class has not
FOREIGN = ("pydantic", "msgspec", "cached_property", "self.__dict__", "__slots__")
ALSO_LEFT_OUT = {
    "model/event.py",  # the ledger asks the class for its slots
    "physics/sorption.py",  # a type variable of two types is checked more strictly
}
BUILD = """
import sys
from mypyc.build import mypycify
from setuptools import Distribution
from setuptools.command.build_ext import build_ext

given = ["--config-file", "pyproject.toml", *sys.argv[1:]]
modules = mypycify(given, opt_level="2", debug_level="0", multi_file=True)
for module in modules:  # no fused multiplication and addition, which rounds once where Python rounds twice
    module.extra_compile_args = [*module.extra_compile_args, "-ffp-contract=off"]
build = build_ext(Distribution({"name": "core", "ext_modules": modules, "packages": []}))
build.build_lib, build.build_temp, build.parallel = ".", "build/temp", True
build.ensure_finalized()
build.run()
"""


def compilable(monitor: Path) -> Iterator[Path]:
    """The modules of the rooms that judge which mypyc can take."""
    for room in ROOMS:
        for path in sorted((monitor / room).glob("*.py")):
            source = path.read_text(encoding="utf-8")
            held = any(word in source for word in FOREIGN) or _without_slots(ast.parse(source))
            if path.name != "__init__.py" and not held and f"{room}/{path.name}" not in ALSO_LEFT_OUT:
                yield path


def _decorator(record: ast.stmt) -> ast.Call | None:
    for one in record.decorator_list if isinstance(record, ast.ClassDef) else []:
        if isinstance(one, ast.Call) and ast.unparse(one.func) == "dataclass":
            return one
    return None


def _without_slots(module: ast.Module) -> bool:
    """Such a record is filled by its dictionary somewhere, which a compiled class has not."""
    return any(call and "slots" not in ast.unparse(call) for call in map(_decorator, module.body))


def with_constructors(source: str) -> str:
    """The module with a constructor of its own in every frozen dataclass that stands alone."""
    lines = [*source.split("\n"), ""]
    for record in ast.parse(source).body:
        call = _decorator(record)
        made = _constructor(record) if call and isinstance(record, ast.ClassDef) else None
        if call and made and ast.unparse(call) == "dataclass(frozen=True, slots=True)":
            lines[call.lineno - 1] = lines[call.lineno - 1].replace("dataclass(", "dataclass(init=False, ")
            lines[(record.end_lineno or 0)] = f"    {made}  # type: ignore"
    return "\n".join(lines)


def _constructor(record: ast.ClassDef) -> str | None:
    given, kept = [], []
    for field in record.body:
        if not isinstance(field, ast.AnnAssign) or "ClassVar" in ast.unparse(field.annotation):
            continue
        name, kind = ast.unparse(field.target), ast.unparse(field.annotation)
        default = "" if field.value is None else ast.unparse(field.value)
        factory = default.removeprefix("field(default_factory=").removesuffix(")")
        if default.startswith("field("):
            if factory not in ("dict", "list"):
                return None
            given.append(f"{name}: {kind} | None = None")
            kept.append(f"self.{name} = {factory}() if {name} is None else {name}")
        else:
            given.append(f"{name}: {kind}" + (f" = {default}" if default else ""))
            kept.append(f"self.{name} = {name}")
    if record.bases or not given:
        return None
    if any(isinstance(part, ast.FunctionDef) and part.name == "__post_init__" for part in record.body):
        kept.append("self.__post_init__()")
    return f"def __init__(self, {', '.join(given)}) -> None: {'; '.join(kept)}"


def _copied(folder: Path) -> None:
    for name in ("monitor", "shared", "config", "tests", "pyproject.toml"):
        subprocess.run(["cp", "-R", str(HERE / name), str(folder)], check=True)


def _built(folder: Path, names: list[str]) -> None:
    done = subprocess.run(
        [sys.executable, "-c", BUILD, *names], cwd=folder, check=False, capture_output=True, text=True
    )
    if done.returncode:
        sys.exit((done.stdout + done.stderr)[-2_000:])
    took = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(f"{len(names)} modules compiled in {took.ru_utime + took.ru_stime:.0f} s of processor time")


def _replayed(folder: Path, arguments: list[str]) -> list[list[str]]:
    command = [sys.executable, "-m", "tests.bench.replay_bench", *arguments]
    printed = subprocess.run(command, cwd=folder, check=True, capture_output=True, text=True).stdout
    return [line.split() for line in printed.splitlines()[1:]]


def _compare(folder: Path, arguments: list[str]) -> None:
    for plain, compiled in zip(_replayed(HERE, arguments), _replayed(folder, arguments), strict=True):
        (before, after) = (float(row[2]) + float(row[3]) for row in (plain, compiled))
        same = "same digest" if plain[-1] == compiled[-1] else f"DIGESTS {plain[-1]} and {compiled[-1]}"
        print(
            f"{plain[0]:>4} sensors {before:7.1f} → {after:6.1f} µs a reading  {before / after:.2f} ×  {same}"
        )


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--sensors", nargs="+", default=["16", "100"])
    ask.add_argument("--hours", default="1")
    ask.add_argument(
        "--keep", type=Path, help="where to build, and to leave it; built there already: only measured"
    )
    given = ask.parse_args()
    with tempfile.TemporaryDirectory(prefix="dryshift-compiled-") as name:
        folder = given.keep or Path(name)
        if not list(folder.glob("*mypyc*.so")):
            folder.mkdir(parents=True, exist_ok=True)
            _copied(folder)
            modules = list(compilable(folder / "monitor"))
            for module in modules:
                module.write_text(with_constructors(module.read_text(encoding="utf-8")), encoding="utf-8")
            _built(folder, [str(module.relative_to(folder)) for module in modules])
        for things in ([], ["--no-things"]):
            print("sensors only" if things else "with a cylinder and a plate to ten sensors")
            _compare(folder, ["--sensors", *given.sensors, "--hours", given.hours, *things])


if __name__ == "__main__":
    main()
