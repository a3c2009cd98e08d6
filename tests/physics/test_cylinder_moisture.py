"""Water inside cylinders: the balance by closed form for an ideal gas, by a stiff solver for the real one."""

import math
from collections.abc import Callable
from dataclasses import replace

import CoolProp
import numpy as np
import pytest
from CoolProp.CoolProp import AbstractState, PropsSI
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from monitor.model.errors import RangeError
from monitor.physics import cylinder_moisture as cm
from monitor.physics.gas_moisture import frost_point_from_ppmv_c, saturated_ppmv
from monitor.physics.shielding_gas import ARGON, CARBON_DIOXIDE, gas_mixture
from tests.physics.oracles_gas import liquefied_water_ratio

RecordCheck = Callable[..., None]
WET = cm.CylinderFill(ARGON, 0.05, 200e5, 15.0, 300.0)
GOOD = replace(WET, moisture_ppmv=5.0)
MIX = replace(WET, gas=gas_mixture({"argon": 0.82, "carbon_dioxide": 0.18}))


# A full 200 bar cylinder of argon follows the reference equation of state at constant density.
def test_pressure_of_a_full_cylinder_follows_the_reference_equation(record_check: RecordCheck) -> None:
    celsius = np.array([-20.0, 0.0, 15.0, 30.0, 45.0])
    density = PropsSI("Dmolar", "T", 288.15, "P", 200e5, "Argon")
    expected = np.array([PropsSI("P", "T", t + 273.15, "Dmolar", density, "Argon") for t in celsius])
    worst = 100.0 * float(np.abs(cm.full_pressure_pa(celsius, WET) / expected - 1.0).max())
    source = "CoolProp reference equation of state, 200 bar at 15 degC, -20 to 45 degC"
    record_check("pressure of a full argon cylinder", worst=worst, bound=3.0, unit="%", source=source)


# Filled to 5 bar only, the gas is ideal: the wet tail ends at p0 exp(1 - s), where s is the moisture
# over that of the saturated full gas (water balance in closed form).
@pytest.mark.parametrize("excess", [1.2, 1.5, 2.0])
def test_the_wet_tail_ends_where_the_ideal_balance_says(record_check: RecordCheck, excess: float) -> None:
    full = 5.0e5
    ppmv = excess * saturated_ppmv(15.0, full, ARGON)
    found = cm.dry_pressure_pa(15.0, cm.CylinderFill(ARGON, 0.05, full, 15.0, ppmv))
    record_check(
        "end of the wet tail at 5 bar",
        worst=100.0 * abs(found / (full * math.exp(1.0 - excess)) - 1.0),
        bound=3.0,  # argon's enhancement at 5 bar, which the closed form leaves out
        unit="%",
        source="water balance of an ideal gas in closed form",
    )


# The real gas: moles of water followed by scipy's solver as the pressure falls, with this project's
# saturation.
@pytest.mark.parametrize("fill", [WET, MIX], ids=["argon", "mixture"])
def test_the_wet_tail_is_that_of_a_stiff_solver(record_check: RecordCheck, fill: cm.CylinderFill) -> None:
    celsius = 5.0
    full = cm.full_pressure_pa(celsius, fill)

    names = {"argon": "Argon", "carbon_dioxide": "CO2"}
    state = AbstractState("SRK", "&".join(names[name] for name in fill.gas.names))
    state.set_mole_fractions(list(fill.gas.mole_frac))
    state.specify_phase(CoolProp.iphase_gas)

    def held(pressure: float) -> float:
        state.update(CoolProp.PT_INPUTS, pressure, celsius + 273.15)
        return float(state.rhomolar())

    def leaving(ln_pressure: float, water: np.ndarray) -> np.ndarray:
        pressure = math.exp(ln_pressure)
        step = 1e-4
        slope = (held(pressure * (1 + step)) - held(pressure * (1 - step))) / (2 * step)
        saturated = 1e-6 * saturated_ppmv(celsius, pressure, fill.gas)
        vapour = min(saturated, float(water[0]) / held(pressure))
        return np.array([vapour * slope])

    def dry(ln_pressure: float, water: np.ndarray) -> float:
        pressure = math.exp(ln_pressure)
        return float(water[0]) - 1e-6 * saturated_ppmv(celsius, pressure, fill.gas) * held(pressure)

    dry.terminal = True  # type: ignore[attr-defined]
    start = 1e-6 * fill.moisture_ppmv * held(full)
    solved = solve_ivp(leaving, (math.log(full), math.log(1e5)), [start], events=dry, rtol=1e-8, atol=1e-14)
    expected = math.exp(solved.t_events[0][0])
    record_check(
        "end of the wet tail at 200 bar",
        worst=100.0 * abs(cm.dry_pressure_pa(celsius, fill) / expected - 1.0),
        bound=0.5,
        unit="%",
        source="scipy's solver on the same water balance, gas by CoolProp's Soave equation",
    )


def test_all_water_put_in_comes_out() -> None:
    pressures = np.geomspace(cm.full_pressure_pa(5.0, WET), 1.0e5, 4000)
    leaving = cm.leaving_ppmv(pressures, 5.0, WET)
    held = np.array([PropsSI("Dmolar", "T", 278.15, "P", p, "Argon") for p in pressures])
    out = np.sum(0.5 * (leaving[1:] + leaving[:-1]) * -np.diff(held)) + leaving[-1] * held[-1]
    assert out / held[0] == pytest.approx(WET.moisture_ppmv, rel=0.03)


def test_gas_leaves_a_good_cylinder_as_it_was_filled() -> None:
    found = cm.leaving_ppmv(np.array([1.9e7, 1.0e7, 1.0e6, 2.0e5]), 15.0, GOOD)
    assert found.tolist() == [5.0] * 4
    assert cm.condensed_water_g(15.0, GOOD) == 0.0
    assert cm.dry_pressure_pa(15.0, GOOD) == pytest.approx(cm.full_pressure_pa(15.0, GOOD))


# The dew point at bottle pressure is the temperature at which water begins to condense: found another way.
def test_water_condenses_where_the_gas_at_bottle_pressure_has_its_frost_point() -> None:
    onset = cm.condensation_onset_c(WET)
    pressure = cm.full_pressure_pa(onset, WET)
    assert frost_point_from_ppmv_c(WET.moisture_ppmv, pressure, ARGON) == pytest.approx(onset, abs=1e-4)
    assert cm.condensed_water_g(onset + 0.1, WET) == 0.0
    assert cm.condensed_water_g(onset - 0.1, WET) > 0.0
    assert cm.condensation_onset_c(GOOD) < -15.0


@settings(max_examples=30)
@given(st.floats(-15.0, 25.0), st.floats(20.0, 900.0))
def test_the_tail_grows_wetter_as_the_pressure_falls(celsius: float, ppmv: float) -> None:
    fill = replace(WET, moisture_ppmv=ppmv)
    leaving = cm.leaving_ppmv(np.geomspace(1.9e7, 2.0e5, 60), celsius, fill)
    assert np.all(np.diff(leaving) >= -1e-9)


@settings(max_examples=30)
@given(st.floats(-30.0, 40.0), st.floats(10.0, 1000.0))
def test_a_colder_cylinder_condenses_more(celsius: float, ppmv: float) -> None:
    fill = replace(WET, moisture_ppmv=ppmv)
    condensed = cm.condensed_water_g(np.array([celsius, celsius + 5.0]), fill)
    assert condensed[0] >= condensed[1] - 1e-12
    everything = 1e-6 * ppmv * 200e5 * 0.05 / (8.314462618 * 288.15) * 18.015268
    assert condensed[0] <= 1.2 * everything


# EOS-CG as CoolProp has it (its water is 0.9 % off at no pressure); the two cubic parameters rest on values
# from memory, so a third is the bound.
def test_water_prefers_the_liquid_as_in_the_reference_mixture(record_check: RecordCheck) -> None:
    state = AbstractState("HEOS", "CO2&Water")
    state.set_mole_fractions([1.0 - 1e-6, 1e-6])
    worst = 0.0
    for celsius in (0.0, 10.0, 20.0):
        saturation = PropsSI("P", "T", celsius + 273.15, "Q", 0, "CO2")
        fugacity = []
        for phase, pressure in ((CoolProp.iphase_liquid, 1.001), (CoolProp.iphase_gas, 0.999)):
            state.specify_phase(phase)
            state.update(CoolProp.PT_INPUTS, pressure * saturation, celsius + 273.15)
            fugacity.append(state.fugacity_coefficient(1))
        worst = max(worst, abs(liquefied_water_ratio(celsius) * fugacity[1] / fugacity[0] - 1.0))
    record_check(
        "water in gas over water in liquid carbon dioxide",
        worst=100.0 * worst,
        bound=33.0,
        unit="%",
        source="CoolProp mixture model (EOS-CG), 0 to 20 degC",
    )


def test_a_liquefied_cylinder_gives_back_its_water_in_the_end() -> None:
    left = np.linspace(1.0, 0.05, 20_000)  # below that its gas would be saturated
    drawn = cm.liquefied_leaving_ppmv(left, 10.0, 50.0)
    out = float(np.sum(0.5 * (drawn[1:] + drawn[:-1]) * -np.diff(left)))
    ratio = liquefied_water_ratio(10.0)
    assert out == pytest.approx(50.0 * (1.0 - 0.05**ratio), rel=1e-3)
    assert drawn[0] == pytest.approx(50.0 * ratio)
    assert np.all(np.diff(drawn) >= 0.0)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: cm.full_pressure_pa(20.0, replace(WET, volume_m3=50.0)), "fill.volume_m3: found 50.0"),
        (
            lambda: cm.condensed_water_g(20.0, replace(WET, moisture_ppmv=0.0)),
            "fill.moisture_ppmv: found 0.0",
        ),
        (lambda: cm.condensed_water_g(70.0, WET), "temperature_c: found 70.0"),
        (lambda: cm.leaving_ppmv(1e4, 20.0, WET), "pressure_pa: found 10000.0"),
        (lambda: liquefied_water_ratio(29.0), "temperature_c: found 29.0"),
        (lambda: cm.liquefied_leaving_ppmv(0.0, 10.0, 50.0), "liquid_left_frac: found 0.0"),
        (lambda: cm.condensation_onset_c(replace(WET, gas=CARBON_DIOXIDE)), "pressure_pa: found 2"),
    ],
)
def test_a_number_outside_the_range_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(RangeError) as caught:
        call()
    assert str(caught.value).startswith(named)
