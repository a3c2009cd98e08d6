"""Spools against closed forms, the labels on their packs, and the trade's quarter of an hour."""

import math
import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.consumables.materials import sorption_data
from monitor.consumables.spools import spool_data, spool_layers
from monitor.model.errors import RangeError
from monitor.physics.sorption import advance_state, uniform_state, uptake_at_depth_kgkg
from monitor.physics.spool import (
    Winding,
    capacity_kg,
    layers_of,
    linear_density_kgm,
    run_off,
    wet_depth_m,
)

SHARED = Path(__file__).parents[2] / "shared"
SPOOLS = spool_data(tomllib.loads((SHARED / "spools.toml").read_text(encoding="utf-8")))
MATERIALS = sorption_data(tomllib.loads((SHARED / "sorption.toml").read_text(encoding="utf-8"))).materials
WIRE = MATERIALS["cored-wire-folded"].parameters
CLEAR_KGKG = 0.25 * WIRE.equilibrium_kgkg
Check = Callable[..., None]


def stood(days: float, temperature_c: float, rh_frac: float) -> np.ndarray:
    span = np.array([days * 86_400.0])
    return advance_state(uniform_state(0.0), span, np.array([temperature_c]), np.array([rh_frac]), WIRE)


@pytest.mark.parametrize("name", sorted(SPOOLS.spools))
def test_a_full_spool_weighs_what_its_label_says(record_check: Check, name: str) -> None:
    kind = SPOOLS.spools[name]
    winding = SPOOLS.winding(name, "cored", 1.2e-3)
    assert capacity_kg(winding, SPOOLS.clearance_m.value) >= kind.label_kg.value
    layers = layers_of(winding, kind.label_kg.value)
    assert layers.wound_m <= kind.flange_m.value - 2.0 * SPOOLS.clearance_m.value
    record_check(
        "spool: mass of the layers against the label",
        worst=abs(float(layers.mass_kg.sum()) - kind.label_kg.value),
        bound=1e-6,
        unit="kg",
        source="net masses on packs (common practice), on the geometry of ISO 544 (from memory)",
    )


@pytest.mark.parametrize("name", ["s200", "s300", "bs300", "s350"])
def test_a_label_fills_most_of_its_spool(name: str) -> None:
    # a pack's spool is neither overfull nor half empty: 75 to 100 % of the room below the flange
    winding = SPOOLS.winding(name, "cored", 1.2e-3)
    share = SPOOLS.spools[name].label_kg.value / capacity_kg(winding, SPOOLS.clearance_m.value)
    assert 0.75 <= share <= 1.0


def test_mass_is_the_closed_form_of_a_hollow_cylinder(record_check: Check) -> None:
    winding = SPOOLS.winding("bs300", "solid", 1.0e-3)
    layers = layers_of(winding, 15.0)
    # wire's share of the winding's volume: the circle in its cell, layer by layer
    filled = math.pi / (4.0 * winding.layer_pitch * winding.wire_m) * winding.wire_m
    wraps = math.floor(winding.width_m / (winding.wrap_pitch * winding.wire_m))
    inner, outer = winding.barrel_m, layers.wound_m
    ring = 0.25 * math.pi * (outer**2 - inner**2)
    closed = ring * wraps * winding.wire_m * filled * winding.density_kgm3
    record_check(
        "spool: mass of the winding",
        worst=abs(closed / 15.0 - 1.0),
        bound=0.03,
        unit="1",
        source="closed form: hollow cylinder times the share of wire in it (one partial layer in 40)",
    )


@pytest.mark.parametrize(
    ("wire", "diameter_m", "expected", "tolerance"),
    [
        # steel 7850 kg/m3: 8.88 g/m at 1.2 mm, 6.17 g/m at 1.0 mm, 15.8 g/m at 1.6 mm (handbook density)
        ("solid", 1.2e-3, 8.88e-3, 0.005e-3),
        ("solid", 1.0e-3, 6.17e-3, 0.005e-3),
        ("solid", 1.6e-3, 15.78e-3, 0.01e-3),
        # cored 1.2 mm wire: about 130 m to the kilogram (common practice)
        ("cored", 1.2e-3, 7.7e-3, 0.1e-3),
    ],
)
def test_a_metre_of_wire_weighs_what_handbooks_say(
    wire: str, diameter_m: float, expected: float, tolerance: float
) -> None:
    found = linear_density_kgm(SPOOLS.winding("bs300", wire, diameter_m))
    assert found == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize(
    ("days", "temperature_c", "rh_frac"), [(90.0, 27.0, 0.80), (90.0, 24.0, 0.80), (100.0, 22.0, 0.75)]
)
def test_about_a_quarter_of_an_hour_clears_a_spool_that_stood_a_season(
    days: float, temperature_c: float, rh_frac: float
) -> None:
    # common practice: about fifteen minutes of running, "a layer or two"
    layers = spool_layers(SPOOLS, "bs300", "cored", 1.2e-3)
    wet = wet_depth_m(stood(days, temperature_c, rh_frac), CLEAR_KGKG, WIRE)
    found = run_off(layers, wet, SPOOLS.wires["cored"].feed_m_min.value / 60.0, price_per_kg=4.0)
    assert 10.0 <= found.minutes <= 20.0
    assert 1 <= found.layers <= 2
    assert found.mass_kg == pytest.approx(found.length_m * 7.69e-3, rel=2e-3)
    assert found.cost == pytest.approx(4.0 * found.mass_kg)
    assert not found.whole_spool


def test_wet_depth_is_where_the_profile_crosses_the_chosen_uptake() -> None:
    state = stood(60.0, 25.0, 0.8)
    depth = wet_depth_m(state, CLEAR_KGKG, WIRE)
    assert uptake_at_depth_kgkg(state, depth, WIRE) == pytest.approx(CLEAR_KGKG, rel=1e-3)
    assert wet_depth_m(uniform_state(0.0), CLEAR_KGKG, WIRE) == 0.0
    assert wet_depth_m(uniform_state(CLEAR_KGKG * 2.0), CLEAR_KGKG, WIRE) == WIRE.depth_m


def test_a_dry_face_over_damp_wraps_still_asks_for_the_damp_ones() -> None:
    state = advance_state(stood(90.0, 27.0, 0.8), np.array([2e5]), np.array([25.0]), np.array([0.1]), WIRE)
    assert uptake_at_depth_kgkg(state, 0.0, WIRE) < CLEAR_KGKG
    assert wet_depth_m(state, CLEAR_KGKG, WIRE) > 1e-3


def test_nothing_wet_means_nothing_to_run_off() -> None:
    found = run_off(spool_layers(SPOOLS, "s200", "cored", 1.2e-3), 0.0, 0.15)
    assert (found.layers, found.mass_kg, found.minutes) == (0, 0.0, 0.0)


def test_a_spool_wet_to_the_barrel_is_run_off_whole() -> None:
    layers = spool_layers(SPOOLS, "s100", "cored", 1.2e-3)
    found = run_off(layers, 0.1, 0.15)
    assert found.whole_spool
    assert found.mass_kg == pytest.approx(0.9)
    assert found.of_spool_frac == pytest.approx(1.0)


WINDINGS = st.builds(
    lambda barrel, room, width, wire, pitch: Winding(
        barrel, barrel + room, width, wire, 7000.0, wrap_pitch=1.02, layer_pitch=pitch
    ),
    st.floats(0.04, 0.3),
    st.floats(0.02, 0.2),
    st.floats(0.03, 0.15),
    st.floats(0.6e-3, 3e-3),
    st.floats(0.87, 1.0),
)


@given(WINDINGS, st.floats(0.02, 1.0))
def test_layers_hold_the_mass_asked_for_and_shrink_inwards(winding: Winding, share: float) -> None:
    mass = share * capacity_kg(winding)
    layers = layers_of(winding, mass)
    assert float(layers.mass_kg.sum()) == pytest.approx(mass, rel=1e-9)
    assert layers.wound_m <= winding.flange_m + 1e-9
    assert np.all(np.diff(layers.depth_m) > 0.0)
    assert np.all(np.diff(layers.length_m[1:]) < 0.0)


@given(WINDINGS, st.floats(0.0, 0.05), st.floats(0.0, 0.05))
def test_deeper_damp_never_asks_for_less(winding: Winding, one: float, other: float) -> None:
    layers = layers_of(winding, 0.8 * capacity_kg(winding))
    shallow, deep = (run_off(layers, depth, 0.15) for depth in sorted((one, other)))
    assert deep.length_m >= shallow.length_m
    assert deep.layers >= shallow.layers


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: layers_of(SPOOLS.winding("s200", "cored", 1.2e-3), 30.0), "mass_kg"),
        (lambda: layers_of(SPOOLS.winding("s200", "cored", 1.2e-3), 0.0), "mass_kg"),
        (lambda: Winding(0.3, 0.2, 0.1, 1e-3, 7000.0, 1.02, 0.9), "flange_m"),
        (lambda: wet_depth_m(uniform_state(0.0), 0.0, WIRE), "clear_kgkg"),
        (lambda: run_off(spool_layers(SPOOLS, "s200", "cored", 1.2e-3), 0.01, 0.0), "feed_ms"),
        (lambda: capacity_kg(SPOOLS.winding("s200", "cored", 1.2e-3), -1.0), "clearance_m"),
    ],
)
def test_numbers_that_cannot_be_are_refused(call: Callable[[], object], told: str) -> None:
    with pytest.raises(RangeError, match=told):
        call()
