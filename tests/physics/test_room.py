"""House rules of the physics room: five-part docstrings, units in names, every function checked somewhere."""

import ast
import inspect
import re
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from types import FunctionType
from typing import Any

import numpy as np
import pytest

import monitor.physics

ROOM = Path(monitor.physics.__file__).parent
MODULES = sorted(path.stem for path in ROOM.glob("*.py") if path.stem != "__init__")
# Inner works: they run formulas, and are checked through them.
TOOLS = {"elementwise", "step_response", "stepping"}
PARTS = ("Arguments", "Returns", "Raises", "Reference")
# Formulas shared between modules of the room, for floats or blocks of arrays, without checks: no public face.
KERNEL_FIRST = "maths"

UNIT = re.compile(
    r"(^|_)(c|k|k2|pa|frac|deg|s|h|hours|days|minutes|min|m|mm|m2|m3|l|g|kg|w|kgkg|gm3|mgm3|kgm3|kgm|gm2|gm2s|ppmv|mms|ms|mmin"
    r"|wm2|wm2k|wmk|wk|wpa|jk|jkg|jg|jkgk|jmol|jmolk|jm2k|m3kg|molm3|kgmol|lmin|gh|m2s|mspa|kh)$"
)
# Pure numbers, shapes and counts, which have no unit to name.
PURE = re.compile(
    r"^(correlation|\w+_sine|gain_error|gain_std|unknown_gain_std|deviations|rayleigh|prandtl|reynolds|\w*nusselt\w*"
    r"|slenderness|\w*emissivity|exposure_weight|\w+_exponent|\w+_factor|\w+_ratio2?|\w+_number|\w+_pitch"
    r"|purge_volumes|wraps|layers|cost|rigid|exchange_log|exchange_var|plus_minus)$"
)
NUMERIC = re.compile(r"^(float|V|Values|FloatArray|float \| FloatArray)$")


def public_functions() -> Iterator[tuple[str, FunctionType]]:
    for name in MODULES:
        module = import_module(f"monitor.physics.{name}")
        for function in vars(module).values():
            if name in TOOLS or not inspect.isfunction(function) or function.__module__ != module.__name__:
                continue
            signature = inspect.signature(function)
            kernel = list(signature.parameters)[:1] == [KERNEL_FIRST] or "kernel" in (function.__doc__ or "")
            guard = signature.return_annotation in {None, Any}
            if not (function.__name__.startswith("_") or kernel or guard):
                yield name, function


FUNCTIONS = list(public_functions())


def annotation(value: object) -> str:
    return getattr(value, "__name__", None) or str(value).removeprefix("~")


def has_unit(name: str) -> bool:
    return any(UNIT.search(part) or PURE.match(part) for part in (name, name.split("_from_")[0]))


def says_it_is_a_pure_number(function: FunctionType) -> bool:
    text = inspect.getdoc(function) or ""
    returned = text.partition("Returns:")[2].partition("Raises:")[0]
    return bool(re.search(r"dimensionless|probability|correlation|in the unit of", returned))


def test_a_public_function_says_what_it_takes_gives_and_rests_on() -> None:
    broken = []
    for module, function in FUNCTIONS:
        name, text = f"{module}.{function.__name__}", inspect.getdoc(function) or ""
        if not re.match(r"[A-Z0-9].*?[.:](\s|$)", text, re.DOTALL):
            broken.append(f"{name} begins with no sentence")
        found = tuple(line[:-1] for line in text.splitlines() if line[-1:] == ":" and line[:-1] in PARTS)
        if found != PARTS:
            broken.append(f"{name} has the parts {found}")
        arguments = text.partition("Arguments:")[2].partition("Returns:")[0]
        broken += [
            f"{name}: {parameter} is not described"
            for parameter in inspect.signature(function).parameters
            if not re.search(rf"^ +{parameter}: \S", arguments, re.MULTILINE)
        ]
    assert not broken, "\n".join(broken)


def test_the_unit_is_in_the_name() -> None:
    broken = []
    for module, function in FUNCTIONS:
        signature = inspect.signature(function)
        broken += [
            f"{module}.{function.__name__}({name}) names no unit"
            for name, parameter in signature.parameters.items()
            if NUMERIC.match(annotation(parameter.annotation)) and not has_unit(name)
        ]
        if NUMERIC.match(annotation(signature.return_annotation)):
            named = has_unit(function.__name__) or says_it_is_a_pure_number(function)
            broken += [] if named else [f"{module}.{function.__name__} names no unit"]
    assert not broken, "\n".join(broken)


def test_fields_of_numbers_carry_their_unit() -> None:
    broken = [
        f"{module}.{owner.name}.{ast.unparse(field.target)} names no unit"
        for module in MODULES
        if module not in TOOLS
        for owner in ast.parse((ROOM / f"{module}.py").read_text(encoding="utf-8")).body
        if isinstance(owner, ast.ClassDef) and not owner.name.startswith("_")
        for field in owner.body
        if isinstance(field, ast.AnnAssign) and NUMERIC.match(ast.unparse(field.annotation))
        if not has_unit(ast.unparse(field.target))
    ]
    assert not broken, "\n".join(broken)


def test_every_public_function_is_called_by_a_test() -> None:
    others = (path for path in Path(__file__).parent.glob("*.py") if path != Path(__file__))
    tests = "\n".join(path.read_text(encoding="utf-8") for path in others)
    named = set(re.findall(r"\w+", tests))
    assert [f"{m}.{f.__name__}" for m, f in FUNCTIONS if f.__name__ not in named] == []


def of_numbers_alone(function: FunctionType) -> bool:
    signature = inspect.signature(function)
    wanted = (p for p in signature.parameters.values() if p.default is inspect.Parameter.empty)
    given = annotation(signature.return_annotation)
    return given == "V" and all(NUMERIC.match(annotation(p.annotation)) for p in wanted)


NUMBERS_ALONE = [
    pytest.param(f, id=f"{module}.{f.__name__}") for module, f in FUNCTIONS if of_numbers_alone(f)
]


@pytest.mark.parametrize("function", NUMBERS_ALONE)
def test_missing_goes_in_and_comes_out(function: FunctionType) -> None:
    """NaN in the first argument gives NaN and leaves its neighbour alone."""
    wanted = [
        p for p in inspect.signature(function).parameters.values() if p.default is inspect.Parameter.empty
    ]
    typical = {"pressure_pa": 1.0e5, "vapour_pressure_pa": 1000.0, "surface_std_k": 0.5, "ppmv": 40.0}
    typical |= {"rayleigh": 1.0e7, "reynolds": 1.0e5}
    if "ice" in function.__name__ or "sublimation" in function.__name__:
        typical["temperature_c"] = -5.0
    first, *rest = (typical.get(p.name, 0.5) for p in wanted)
    whole = function(np.array([first, first]), *rest)
    found = function(np.array([first, np.nan]), *rest)
    assert found[0] == pytest.approx(whole[0], rel=1e-12, abs=1e-12)
    assert np.isnan(found[1])
