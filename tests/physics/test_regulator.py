"""The regulator's heat balance against an independent solver, and against what shops see."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from monitor.model.errors import RangeError
from monitor.physics import regulator as r
from monitor.physics.gas_data import gas_data
from monitor.physics.gas_state import carbon_dioxide_saturation_pa
from monitor.physics.saturation import frost_point_c, vapour_pressure_pa
from monitor.physics.shielding_gas import ARGON, CARBON_DIOXIDE, gas_mixture
from monitor.settings.reference import load_toml
from tests.physics.oracles_hose import regulator_outlet_c, regulator_time_constant_s, regulator_water_gh

RecordCheck = Callable[..., None]
BODY = gas_data(load_toml("gas_grades.toml")).regulators["single_stage"]
FULL = r.RegulatorDuty(ARGON, 20.0, 2.0e7, 4.0e5, 20.0, 0.60)
HALF = replace(FULL, inlet_pa=1.0e7)
CO2 = replace(FULL, gas=CARBON_DIOXIDE, inlet_pa=carbon_dioxide_saturation_pa(20.0))
MIX = replace(FULL, gas=gas_mixture({"argon": 0.82, "carbon_dioxide": 0.18}))


def balance_by_coolprop_c(flow_lmin: float, duty: r.RegulatorDuty) -> float:
    """The same heat balance, gas from CoolProp, vapour from CoolProp's water, solved by scipy."""
    name = {ARGON: "Argon", CARBON_DIOXIDE: "CO2"}[duty.gas]
    phase = "|gas" if duty.gas == CARBON_DIOXIDE else ""
    held = (
        PropsSI("Hmolar", "T", duty.inlet_c + 273.15, "Q", 1, name)
        if duty.gas == CARBON_DIOXIDE
        else PropsSI("Hmolar", "T", duty.inlet_c + 273.15, "P", duty.inlet_pa, name)
    )
    warm = PropsSI("Hmolar", "T|gas" if phase else "T", duty.air_c + 273.15, "P", duty.outlet_pa, name)
    cool = PropsSI("Hmolar", "T|gas" if phase else "T", duty.air_c + 253.15, "P", duty.outlet_pa, name)
    capacity = (warm - cool) / 20.0
    jet = duty.air_c - (warm - held) / capacity
    flow = flow_lmin / 60.0 * 101.325 / (8.314462618 * 288.15) * capacity
    to_gas = flow * (1.0 - math.exp(-BODY.gas_conductance_wk / flow))
    vapour = duty.relative_humidity_frac * PropsSI("P", "T", duty.air_c + 273.15, "Q", 0, "Water")

    def net(body: float) -> float:
        if body >= 0.01:
            skin, latent = PropsSI("P", "T", body + 273.15, "Q", 0, "Water"), 2.477e6
        else:
            skin, latent = 611.657 * math.exp(22.46 * body / (272.62 + body)), 2.836e6
        sweat = BODY.area_m2 * BODY.convection_wm2k / 1006.0 / 0.86 ** (2 / 3) * 0.622 / duty.pressure_pa
        dry = BODY.area_m2 * (BODY.convection_wm2k + BODY.radiation_wm2k) * (duty.air_c - body)
        stem = BODY.stem_conductance_wk * (duty.inlet_c - body)
        return dry + stem + sweat * max(vapour - skin, 0.0) * latent - to_gas * (body - jet)

    return float(brentq(net, -100.0, duty.air_c + 20.0))


@pytest.mark.parametrize("duty", [FULL, HALF, CO2], ids=["argon full", "argon half", "carbon dioxide"])
@pytest.mark.parametrize("flow_lmin", [5.0, 15.0, 30.0])
def test_the_body_settles_where_the_heat_balance_says(
    record_check: RecordCheck, flow_lmin: float, duty: r.RegulatorDuty
) -> None:
    record_check(
        "temperature of a regulator body",
        worst=abs(r.regulator_body_c(flow_lmin, duty, BODY) - balance_by_coolprop_c(flow_lmin, duty)),
        bound=0.3,
        unit="K",
        source="the same balance with CoolProp's gas and water, solved by scipy; the balance itself has no"
        " measurement behind it",
    )


# Common practice: sweat or frost outside is normal at high draw of carbon dioxide; argon regulators run cool
# and sweat at most; nothing frosts at a trickle in dry air.
def test_regulators_do_what_shops_see() -> None:
    assert r.regulator_state(25.0, CO2, BODY) is r.RegulatorState.ICES
    assert r.regulator_state(10.0, HALF, BODY) is r.RegulatorState.DRY
    assert r.regulator_state(15.0, FULL, BODY) is r.RegulatorState.SWEATS
    assert r.regulator_state(1.0, replace(CO2, relative_humidity_frac=0.2), BODY) is r.RegulatorState.DRY


def test_a_regulator_held_at_the_triple_point_ices() -> None:
    """Where dew alone gives too little heat at 0.01 degC and frost alone too much, water freezes.

    Latent heats of IAPWS-95 and IAPWS R10-06 at the triple point: 2500.9 and 2834.4 J/g, apart by the heat of
    fusion; over the flows between the two balances the body can be neither above nor below.
    """
    held = []
    for flow in np.linspace(12.0, 16.0, 201):
        body_c = r.regulator_body_c(float(flow), CO2, BODY)
        if abs(body_c - 0.01) < 1e-6:
            held.append(float(flow))
    assert len(held) > 3
    states = {r.regulator_state(flow, CO2, BODY) for flow in held}
    assert states == {r.RegulatorState.ICES}
    assert r.icing_flow_lmin(CO2, BODY) <= held[0]
    assert r.regulator_state(r.icing_flow_lmin(CO2, BODY), CO2, BODY) is r.RegulatorState.ICES


def test_snow_can_leave_with_a_large_draw_of_carbon_dioxide() -> None:
    assert regulator_outlet_c(30.0, CO2, BODY) < regulator_outlet_c(10.0, CO2, BODY) < 0.0


@pytest.mark.parametrize("duty", [FULL, CO2, MIX], ids=["argon", "carbon dioxide", "mixture"])
def test_it_turns_wet_at_the_wetting_flow(duty: r.RegulatorDuty) -> None:
    flow = r.wetting_flow_lmin(duty, BODY)
    frost = frost_point_c(vapour_pressure_pa(duty.air_c, duty.relative_humidity_frac))
    assert r.regulator_body_c(flow, duty, BODY) == pytest.approx(frost, abs=1e-4)
    assert regulator_water_gh(0.99 * flow, duty, BODY) == 0.0
    assert regulator_water_gh(1.01 * flow, duty, BODY) > 0.0
    assert r.icing_flow_lmin(duty, BODY) >= flow


def test_a_regulator_that_never_freezes_says_the_end_of_the_range() -> None:
    assert r.icing_flow_lmin(HALF, BODY) == r.FLOW_RANGE_LMIN[1]


@settings(max_examples=40)
@given(st.floats(1.0, 60.0), st.floats(0.1, 0.95), st.sampled_from([FULL, CO2, MIX]))
def test_more_flow_is_colder_and_moister_air_is_warmer(
    flow_lmin: float, humidity_frac: float, duty: r.RegulatorDuty
) -> None:
    air = replace(duty, relative_humidity_frac=humidity_frac)
    moister = replace(duty, relative_humidity_frac=humidity_frac + 0.05)
    body = r.regulator_body_c(flow_lmin, air, BODY)
    assert r.regulator_body_c(1.2 * flow_lmin, air, BODY) <= body + 1e-9
    assert r.regulator_body_c(flow_lmin, moister, BODY) >= body - 1e-9
    assert regulator_outlet_c(flow_lmin, air, BODY) <= body + 1e-9
    assert body <= duty.air_c


# One lump: its time constant is the capacity over the conductances, so a body of twice the mass is twice as
# slow.
def test_a_heavier_body_is_slower() -> None:
    heavy = replace(BODY, heat_capacity_jk=2.0 * BODY.heat_capacity_jk)
    once = regulator_time_constant_s(15.0, FULL, BODY)
    assert regulator_time_constant_s(15.0, FULL, heavy) == pytest.approx(2.0 * once)
    assert 120.0 < once < 1800.0


def test_arrays_give_what_floats_give() -> None:
    flow = np.array([2.0, 10.0, 25.0])
    found = r.regulator_body_c(flow, MIX, BODY)
    alone = [r.regulator_body_c(float(f), MIX, BODY) for f in flow]
    np.testing.assert_allclose(found, alone, rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: r.regulator_body_c(0.0, FULL, BODY), "flow_lmin: found 0.0; valid is 0.1 to 100 L/min"),
        (lambda: r.regulator_body_c(10.0, replace(FULL, air_c=99.0), BODY), "duty.air_c: found 99.0"),
        (lambda: r.regulator_body_c(10.0, replace(FULL, outlet_pa=9e9), BODY), "duty.outlet_pa: found"),
        (lambda: r.regulator_body_c(10.0, FULL, replace(BODY, area_m2=0.0)), "body.area_m2: found 0.0"),
        (lambda: r.regulator_body_c(10.0, replace(CO2, inlet_pa=7e6), BODY), "pressure_pa: found 7"),
    ],
)
def test_a_number_outside_the_range_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(RangeError) as caught:
        call()
    assert str(caught.value).startswith(named)
