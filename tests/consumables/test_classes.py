"""Consumable classes against the published tables, and the faults their file may have."""

import copy
import tomllib
from pathlib import Path

import pytest

from monitor.consumables.classes import (
    Authority,
    ConsumableKind,
    Counts,
    Place,
    class_named,
    consumable_classes,
)
from monitor.model.data_tables import Sourced, Status
from monitor.model.errors import InputError

FILE = Path(__file__).parents[2] / "shared" / "consumables.toml"
DATA = tomllib.loads(FILE.read_text(encoding="utf-8"))
CLASSES = consumable_classes(DATA)

# AWS D1.1/D1.1M:2015 Table 5.1, permissible atmospheric exposure: class, column A h, column B h, how we know
TABLE_5_1 = [
    ("e7018", 4.0, 10.0, Status.PUBLISHED),  # trade page on storing and redrying: E7018 4 h; B from memory
    ("e7015", 4.0, 10.0, Status.PUBLISHED),
    ("e7016", 4.0, 10.0, Status.PUBLISHED),
    ("e7028", 4.0, 10.0, Status.PUBLISHED),
    ("e7048", 4.0, 10.0, Status.PUBLISHED),
    ("e7018-r", 9.0, None, Status.PUBLISHED),  # maker's sheet; Harwig et al. 1999: D1.1 allows up to 9 h
    ("e7018m", 9.0, None, Status.FROM_MEMORY),
    ("e7018-x", 4.0, 10.0, Status.FROM_MEMORY),
    ("e8018-x", 2.0, 10.0, Status.FROM_MEMORY),
    ("e9018-x", 1.0, 5.0, Status.FROM_MEMORY),
    ("e10018-x", 0.5, 4.0, Status.FROM_MEMORY),
    ("e11018-x", 0.5, 4.0, Status.PUBLISHED),  # same trade page: E11018 half an hour
]


@pytest.mark.parametrize(("name", "column_a", "column_b", "status"), TABLE_5_1)
def test_permitted_exposure_is_the_code_table(
    name: str, column_a: float, column_b: float | None, status: Status
) -> None:
    found = CLASSES[name]
    assert found.limit_h is not None
    assert found.limit_h.value == column_a
    assert found.limit_h.status is status
    assert found.authority is Authority.CODE
    assert (found.column_b_h.value if found.column_b_h else None) == column_b


@pytest.mark.parametrize(
    ("name", "low", "high", "hours", "count"),
    [
        # A5.1: company rule sheet, 260-430 C, 2 h; A5.5: D1.1:2015 5.3.2.4, 370-430 C, 1 h; once: 5.3.2.1
        ("e7018", 260.0, 430.0, 2.0, 1.0),
        ("e8018-x", 370.0, 430.0, 1.0, 1.0),
        # filler-metal handbook: fused from 300 F, bonded from 500 F, not above 1000 F; 1 h in thin layers
        ("saw-flux-fused", 149.0, 538.0, 1.0, None),
        ("saw-flux-agglomerated", 260.0, 538.0, 1.0, None),
        # common practice: 90-150 C, 6-24 h, only where the maker allows it
        ("fcaw-folded-h8", 90.0, 150.0, 6.0, None),
    ],
)
def test_redrying_is_as_published(
    name: str, low: float, high: float, hours: float, count: float | None
) -> None:
    redry = CLASSES[name].redry
    assert redry is not None
    assert (redry.min_c.value, redry.max_c.value, redry.time_h.value) == (low, high, hours)
    assert (redry.max_count.value if redry.max_count else None) == count


def test_cored_wire_has_the_seismic_supplement_hours_and_its_test_air() -> None:
    # AWS D1.8 as reported in Practical Welding Today, May/June 2009, p. 29: 72 h, 80 F (27 C) / 80 % RH
    wires = [c for c in CLASSES.values() if c.kind is ConsumableKind.CORED_WIRE]
    assert len(wires) >= 6
    for wire in wires:
        assert wire.limit_h is not None
        assert wire.test_air is not None
        assert wire.limit_h.value == 72.0
        assert wire.authority is Authority.SUPPLEMENT
        assert (wire.test_air.temperature_c.value, wire.test_air.rh_frac.value) == (27.0, 0.80)


@pytest.mark.parametrize("name", ["solid-wire", "metal-cored", "e6010", "e6013"])
def test_a_class_without_a_code_clock_says_so(name: str) -> None:
    assert CLASSES[name].limit_h is None
    assert CLASSES[name].authority is Authority.NONE
    assert CLASSES[name].note


def test_a_bag_or_a_cold_cabinet_does_not_stop_the_clock_of_a_low_hydrogen_electrode() -> None:
    # D1.1:2015 5.3.2.1 knows the maker's sealed container and the oven at 250 F (120 C) or more; only opened
    # packages are kept here, so "sealed" is a can shut again by the shop
    places = CLASSES["e7018"].care.places
    assert places[Place.BAGGED] is Counts.RUNS
    assert places[Place.DRY_CABINET] is Counts.RUNS
    assert places[Place.SEALED] is Counts.RUNS
    assert places[Place.HOLDING_OVEN] is Counts.STOPS_HOT
    oven = CLASSES["e7018"].care.oven_min_c
    assert oven is not None
    assert oven.value == 120.0


def test_every_number_of_every_class_says_where_it_comes_from() -> None:
    numbers = [number for found in CLASSES.values() for number in _numbers(found)]
    assert len(numbers) > 300
    for number in numbers:
        assert number.source
        assert number.cite().endswith(")")


def _numbers(value: object) -> list[Sourced]:
    if isinstance(value, Sourced):
        return [value]
    fields = getattr(value, "__dataclass_fields__", {})
    return [number for name in fields for number in _numbers(getattr(value, name))]


def test_all_faults_of_a_file_are_told_at_once() -> None:
    data = copy.deepcopy(DATA)
    data["class"][0]["limit"]["value"] = -4
    data["class"][1]["kind"] = "rod"
    data["class"][2]["redry"] = "hot"
    data["class"][3]["limti"] = 3
    data["class"][4]["limit"]["unit"] = "min"
    data["care"]["flux"]["places"]["unknown"] = "stops"
    del data["care"]["cored-wire"]["bag_protects"]
    with pytest.raises(InputError) as raised:
        consumable_classes(data)
    told = str(raised.value)
    for place in (
        "class[e7018].limit.value: found -4",
        "class[e7018-r].kind: found 'rod'; use one of: covered electrode",
        "class[e7018m].redry: found 'hot'",
        "class[e7018-x].limti",
        "class[e8018-x].limit.unit: found 'min'",
        "care.flux.places.unknown",
        "care.cored-wire.bag_protects",
    ):
        assert place in told
    assert len(raised.value.faults) == 7


def test_the_same_id_twice_is_a_fault() -> None:
    data = copy.deepcopy(DATA)
    data["class"][1]["id"] = "e7018"
    with pytest.raises(InputError, match="used twice"):
        consumable_classes(data)


def test_an_unknown_class_is_told_with_the_known_ones() -> None:
    with pytest.raises(InputError, match=r"use one of: .*solid-wire"):
        class_named(CLASSES, "e9999")
    assert class_named(CLASSES, "e7018").title == "E7018"
