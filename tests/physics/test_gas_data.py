"""The data of shielding gas: every number has its provenance, and faults are named."""

import copy
from typing import Any

import pytest

from monitor.model.errors import InputError
from monitor.physics.gas_data import gas_data
from monitor.settings.reference import load_toml

TABLES = load_toml("gas_grades.toml")
STATUSES = {"published", "common practice", "from memory", "derived"}


def numbers(table: Any) -> list[dict[str, Any]]:
    if not isinstance(table, dict):
        return []
    if "value" in table:
        return [table]
    return [number for entry in table.values() for number in numbers(entry)]


def test_every_number_says_where_it_is_from() -> None:
    found = numbers(TABLES)
    assert len(found) > 50
    for number in found:
        assert set(number) == {"value", "unit", "status", "source"}
        assert number["status"] in STATUSES
        assert number["source"].strip()


def test_no_limit_of_a_standard_is_called_published_that_nobody_could_read() -> None:
    assert {grade.status for grade in gas_data(TABLES).grades.values()} == {"from memory"}


def test_the_stricter_of_two_limits_rules() -> None:
    grades = gas_data(TABLES).grades
    for grade in grades.values():
        assert grade.strictest_ppmv <= grade.moisture_ppmv
        assert grade.strictest_ppmv == pytest.approx(grade.moisture_ppmv, rel=0.1)
    assert grades["iso14175_c"].strictest_ppmv < grades["en439_c"].strictest_ppmv


@pytest.mark.parametrize(
    ("path", "named"),
    [
        (("grades", "iso14175_i", "moisture_ppmv"), "grades.iso14175_i"),
        (("hoses", "pvc", "diffusivity_m2s"), "hoses.pvc"),
        (("regulators", "single_stage", "area_m2"), "regulators.single_stage"),
        (("regulators",), "regulators: found no table"),
    ],
)
def test_a_missing_number_is_named(path: tuple[str, ...], named: str) -> None:
    tables = copy.deepcopy(TABLES)
    table = tables
    for step in path[:-1]:
        table = table[step]
    del table[path[-1]]
    with pytest.raises(InputError) as caught:
        gas_data(tables)
    assert str(caught.value).startswith(named)


def test_a_number_without_provenance_is_refused() -> None:
    tables = copy.deepcopy(TABLES)
    del tables["hoses"]["pvc"]["diffusivity_m2s"]["source"]
    with pytest.raises(InputError, match="diffusivity_m2s"):
        gas_data(tables)
