"""How cold a pressure regulator's body gets at a flow, and whether it sweats or ices in the room's air."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Any, NamedTuple

from monitor.physics.elementwise import SCALAR, Maths, V, check_below, check_range, elementwise
from monitor.physics.gas_state import GAS_CONSTANT, gas_enthalpy_jmol
from monitor.physics.moist_air import latent_heat_jkg, latent_heat_sublimation_jkg
from monitor.physics.saturation import (
    TRIPLE_POINT_C,
    ZERO_C_K,
    frost_point_c,
    ln_ice_pa,
    ln_water_pa,
    vapour_pressure_pa,
)
from monitor.physics.shielding_gas import GasMixture
from monitor.physics.throttling import INLET_RANGE_C, INLET_RANGE_PA, OUTLET_RANGE_PA

FLOW_RANGE_LMIN = (0.1, 100.0)
STANDARD_LITRE_MOL = 101325.0 * 1e-3 / (GAS_CONSTANT * 288.15)  # a litre at 15 degC and 1 atm

_WARM_K = 20.0  # over which the heat capacity of the expanded gas is taken
_BISECTIONS = 60
# Frost gives more heat than water, so over a stretch of flows the body stays at the triple point while a part
# of its water freezes; halving finds it within rounding, on either side.
_AT_TRIPLE_K = 1e-9
# Lewis: convection carries water as it carries heat, over air's heat capacity and Le^(2/3), Le = 0.86
_WATER_PER_CONVECTION = 0.621945 / (1006.0 * 0.86 ** (2.0 / 3.0))
_WATER_LATENT = latent_heat_jkg(10.0)
_FROST_LATENT = latent_heat_sublimation_jkg(-10.0)


class RegulatorState(StrEnum):
    """What the outside of a regulator does at a steady flow."""

    DRY = "dry"
    SWEATS = "sweats"
    ICES = "ices"


@dataclass(frozen=True, slots=True)
class RegulatorBody:
    """One regulator: what it takes from the room and by its stem from the cylinder, and gives to the gas."""

    area_m2: float
    convection_wm2k: float
    radiation_wm2k: float
    gas_conductance_wk: float
    stem_conductance_wk: float
    heat_capacity_jk: float


@dataclass(frozen=True, slots=True)
class RegulatorDuty:
    """The gas before and behind the seat (absolute pressures), and the air of the room."""

    gas: GasMixture
    inlet_c: float
    inlet_pa: float
    outlet_pa: float
    air_c: float
    relative_humidity_frac: float
    pressure_pa: float = 101325.0


class _Balance(NamedTuple):
    jet_c: float  # the temperature the gas would have behind the seat if none of it turned to snow
    gas_jmolk: float
    air_pa: float
    dry_wk: float
    wet_wpa: float  # heat per pascal of vapour pressure difference, for a latent heat of 1 J/kg


def _check(duty: RegulatorDuty, body: RegulatorBody) -> None:
    check_range("duty.inlet_c", duty.inlet_c, *INLET_RANGE_C, "degC")
    check_range("duty.inlet_pa", duty.inlet_pa, *INLET_RANGE_PA, "Pa")
    check_range("duty.outlet_pa", duty.outlet_pa, *OUTLET_RANGE_PA, "Pa")
    check_below("duty.outlet_pa", duty.outlet_pa, "duty.inlet_pa", duty.inlet_pa)
    check_range("duty.air_c", duty.air_c, *INLET_RANGE_C, "degC")
    check_range("duty.relative_humidity_frac", duty.relative_humidity_frac, 0.001, 1.0, "(a fraction)")
    check_range("duty.pressure_pa", duty.pressure_pa, 5.0e4, 1.2e5, "Pa")
    check_range("body.area_m2", body.area_m2, 1e-3, 1.0, "m2")
    check_range("body.convection_wm2k", body.convection_wm2k, 0.5, 100.0, "W/(m2 K)")
    check_range("body.radiation_wm2k", body.radiation_wm2k, 0.0, 10.0, "W/(m2 K)")
    check_range("body.gas_conductance_wk", body.gas_conductance_wk, 1e-3, 100.0, "W/K")
    check_range("body.stem_conductance_wk", body.stem_conductance_wk, 0.0, 100.0, "W/K")
    check_range("body.heat_capacity_jk", body.heat_capacity_jk, 1.0, 1e5, "J/K")


def _balance(duty: RegulatorDuty, body: RegulatorBody) -> _Balance:
    held = gas_enthalpy_jmol(duty.inlet_c, duty.inlet_pa, duty.gas)
    warm = gas_enthalpy_jmol(duty.air_c, duty.outlet_pa, duty.gas)
    cooler = gas_enthalpy_jmol(duty.air_c - _WARM_K, duty.outlet_pa, duty.gas)
    gas_jmolk = (warm - cooler) / _WARM_K
    return _Balance(
        duty.air_c - (warm - held) / gas_jmolk,
        gas_jmolk,
        vapour_pressure_pa(duty.air_c, duty.relative_humidity_frac),
        body.area_m2 * (body.convection_wm2k + body.radiation_wm2k),
        body.area_m2 * body.convection_wm2k * _WATER_PER_CONVECTION / duty.pressure_pa,
    )


def _gas_wk(maths: Maths, flow_lmin: Any, balance: _Balance, body: RegulatorBody) -> Any:
    """Heat the gas takes from the body per kelvin between body and jet."""
    capacity = flow_lmin * (STANDARD_LITRE_MOL / 60.0) * balance.gas_jmolk
    return capacity * (1.0 - maths.exp(-body.gas_conductance_wk / capacity))


def _settling_pa(maths: Maths, body_c: Any, balance: _Balance) -> tuple[Any, Any]:
    """Vapour pressure of the air above that of the body's skin (0 where it is dry), and the latent heat."""
    frozen = body_c < TRIPLE_POINT_C
    cold_k = maths.where(frozen, body_c, TRIPLE_POINT_C) + ZERO_C_K
    ln_skin = maths.where(frozen, ln_ice_pa(maths, cold_k), ln_water_pa(maths, body_c + ZERO_C_K))
    excess = balance.air_pa - maths.exp(ln_skin)
    return maths.where(excess > 0.0, excess, 0.0 * excess), maths.where(frozen, _FROST_LATENT, _WATER_LATENT)


def _body_c(maths: Maths, flow_lmin: Any, balance: _Balance, duty: RegulatorDuty, body: RegulatorBody) -> Any:
    """Bisection: the colder the body, the more room and cylinder give it and the less the gas takes."""
    gas_wk = _gas_wk(maths, flow_lmin, balance, body)
    ends = (balance.jet_c, duty.air_c, duty.inlet_c)
    low, high = max(min(ends), -119.0) + 0.0 * gas_wk, max(ends) + 0.0 * gas_wk
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        settling, latent = _settling_pa(maths, middle, balance)
        taken = balance.dry_wk * (duty.air_c - middle) + balance.wet_wpa * settling * latent
        taken = taken + body.stem_conductance_wk * (duty.inlet_c - middle)
        colder = taken > gas_wk * (middle - balance.jet_c)
        low, high = maths.where(colder, middle, low), maths.where(colder, high, middle)
    return 0.5 * (low + high)


def regulator_body_c(flow_lmin: V, duty: RegulatorDuty, body: RegulatorBody) -> V:
    """Temperature the body of a regulator settles at, at a steady flow.

    Arguments:
        flow_lmin: gas flow, litres a minute at 15 degC and 1 atm, any shape, 0.1 to 100.
        duty: gas, its state before and behind the seat, and the air of the room.
        body: the regulator.
    Returns:
        body temperature, degC, same shape; sweat and frost, where they form, warm it.
    Raises:
        RangeError: an argument or a field outside its range, or an inlet at which part of the gas is liquid.
        InputError: a gas without an equation of state in gas_state.
    Reference:
        Heat balance: convection, radiation and latent heat (Lewis relation, Le = 0.86) from the room,
        conduction through the stem from the cylinder, which is as warm as its gas; to the gas 1 - exp(-UA/C)
        of what would bring it from its throttled state to the body's temperature, constant enthalpy at the
        seat, Span and Wagner 2003, doi 10.1023/A:1022390430888.
    """
    check_range("flow_lmin", flow_lmin, *FLOW_RANGE_LMIN, "L/min")
    _check(duty, body)
    balance = _balance(duty, body)
    return elementwise(lambda m, f: _body_c(m, f, balance, duty, body), flow_lmin)


def regulator_state(flow_lmin: float, duty: RegulatorDuty, body: RegulatorBody) -> RegulatorState:
    """Whether the outside of a regulator stays dry, sweats or ices at a steady flow.

    Arguments:
        flow_lmin: gas flow, litres a minute at 15 degC and 1 atm, 0.1 to 100.
        duty: gas, its state before and behind the seat, and the air of the room.
        body: the regulator.
    Returns:
        dry above the dew (or frost) point of the room; ices below 0.01 degC and where the body is held there,
        since part of its water then freezes; sweats between.
    Raises:
        RangeError: an argument or a field outside its range, or an inlet at which part of the gas is liquid.
        InputError: a gas without an equation of state in gas_state.
    Reference:
        Temperature of regulator_body_c against the frost point of the room (IAPWS R14-08, Wagner and Pruss
        1993).
    """
    body_c = regulator_body_c(flow_lmin, duty, body)
    if body_c >= frost_point_c(vapour_pressure_pa(duty.air_c, duty.relative_humidity_frac)):
        return RegulatorState.DRY
    return RegulatorState.ICES if body_c <= TRIPLE_POINT_C + _AT_TRIPLE_K else RegulatorState.SWEATS


def wetting_flow_lmin(duty: RegulatorDuty, body: RegulatorBody) -> float:
    """Flow from which on the outside of a regulator sweats, or frosts where the frost point is below 0 degC.

    Arguments:
        duty: gas, its state before and behind the seat, and the air of the room.
        body: the regulator.
    Returns:
        flow, litres a minute at 15 degC and 1 atm; 100 where it stays dry to the end of the range, 0.1 where
        even that is too much.
    Raises:
        RangeError: a field outside its range, or an inlet at which part of the gas is liquid.
        InputError: a gas without an equation of state in gas_state.
    Reference:
        Bisection on regulator_body_c, which falls as the flow rises.
    """
    _check(duty, body)
    frost_c = frost_point_c(vapour_pressure_pa(duty.air_c, duty.relative_humidity_frac))
    return _flow_reaching(frost_c, duty, body)


def icing_flow_lmin(duty: RegulatorDuty, body: RegulatorBody) -> float:
    """Flow from which on the outside of a regulator is below freezing and, in air moist enough, ices.

    Arguments:
        duty: gas, its state before and behind the seat, and the air of the room.
        body: the regulator.
    Returns:
        flow, litres a minute at 15 degC and 1 atm; 100 where it stays above freezing or dry to the end of the
        range, 0.1 where even that is too much.
    Raises:
        RangeError: a field outside its range, or an inlet at which part of the gas is liquid.
        InputError: a gas without an equation of state in gas_state.
    Reference:
        Bisection on regulator_body_c, which falls as the flow rises.
    """
    _check(duty, body)
    frost_c = frost_point_c(vapour_pressure_pa(duty.air_c, duty.relative_humidity_frac))
    return _flow_reaching(min(TRIPLE_POINT_C + _AT_TRIPLE_K, frost_c), duty, body)


def _flow_reaching(temperature_c: float, duty: RegulatorDuty, body: RegulatorBody) -> float:
    balance = _balance(duty, body)
    low, high = FLOW_RANGE_LMIN
    if _body_c(SCALAR, low, balance, duty, body) <= temperature_c:
        return low
    if _body_c(SCALAR, high, balance, duty, body) > temperature_c:
        return high
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        if _body_c(SCALAR, middle, balance, duty, body) > temperature_c:
            low = middle
        else:
            high = middle
    return high
