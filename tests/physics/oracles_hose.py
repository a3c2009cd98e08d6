"""Figures of regulator and hose that only tests ask for, on the room's own kernels."""

import math
from typing import Any

from monitor.physics import purge, regulator
from monitor.physics.elementwise import Maths, V, Values, check_below, check_range, elementwise
from monitor.physics.gas_moisture import PPMV_RANGE


def hose_volume_l(length_m: V, bore_m: Values) -> V:
    """Volume of the gas in a hose.

    Arguments:
        length_m: length of the hose, m, any shape, 0.01 to 500.
        bore_m: inner diameter, m, broadcast, 0.001 to 0.05.
    Returns:
        volume, litres, broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Volume of a cylinder.
    """
    check_range("length_m", length_m, 0.01, 500.0, "m")
    check_range("bore_m", bore_m, 1e-3, 0.05, "m")
    return elementwise(lambda _, length, bore: 250.0 * math.pi * bore * bore * length, length_m, bore_m)


def purge_volumes(start_ppmv: V, target_ppmv: Values, supply_ppmv: Values) -> V:
    """Volumes of dry gas that dilute wet gas to a target when they mix fully: more than a real hose needs.

    Arguments:
        start_ppmv: moisture at the start, ppmv, any shape, 0.1 to 5e5, above the supply's.
        target_ppmv: moisture to be reached, ppmv, broadcast, above the supply's.
        supply_ppmv: moisture of the gas that comes in, ppmv, broadcast, 0 to 5e5.
    Returns:
        volumes of the hose at its own pressure, dimensionless, broadcast shape; 0 where it is dry enough
        already.
    Raises:
        RangeError: an argument outside its range, or a target not above the supply.
    Reference:
        Stirred tank: ln((start - supply) / (target - supply)). Walls add to it: see after_idle_ppmv.
    """
    check_range("start_ppmv", start_ppmv, *PPMV_RANGE, "ppmv")
    check_range("target_ppmv", target_ppmv, *PPMV_RANGE, "ppmv")
    check_range("supply_ppmv", supply_ppmv, 0.0, PPMV_RANGE[1], "ppmv")
    check_below("supply_ppmv", supply_ppmv, "target_ppmv", target_ppmv)

    def volumes(m: Maths, start: Any, target: Any, supply: Any) -> Any:
        ratio = (start - supply) / (target - supply)
        return m.log(m.where(ratio > 1.0, ratio, 1.0))

    return elementwise(volumes, start_ppmv, target_ppmv, supply_ppmv)


def idle_fill_frac(idle_s: V, hose: purge.Hose) -> V:
    """How far the inside of a closed, idle hose has come from dry to the humidity of the room.

    Arguments:
        idle_s: time since gas last ran long enough to dry the bore, s, any shape, 0 to 1e8.
        hose: the hose.
    Returns:
        vapour pressure inside over that of the room, fraction, same shape.
    Raises:
        RangeError: an argument or a field of the hose outside its range.
    Reference:
        Crank, The Mathematics of Diffusion, 2nd ed. 1975, ch. 4 (plane sheet, one face sealed, from the
        straight profile of running gas); the wall holds far more water than the gas, which is left out.
    """
    check_range("idle_s", idle_s, *purge.TIME_RANGE_S, "s")
    purge._check_hose(hose)
    return elementwise(lambda m, t: purge._idle_fill(m, t, hose), idle_s)


def after_idle_ppmv(time_s: V, idle_s: float, hose: purge.Hose, duty: purge.HoseDuty) -> V:
    """Moisture of the gas at the torch a time after it began to run through a hose that stood idle.

    Arguments:
        time_s: time since the gas was turned on, s, any shape, 0 to 1e8.
        idle_s: time the hose stood before that, s, 0 to 1e8.
        hose: the hose.
        duty: the room it stood in, its pressure, flow and supply.
    Returns:
        moisture, parts per million by volume, same shape; an estimate, since the permeability of a hose wall
        is seldom known within a factor of 2.
    Raises:
        RangeError: an argument or a field outside its range.
    Reference:
        Stagnant gas washed out as from a stirred tank, plus what the wall gives off: Crank 1975, ch. 4, plane
        sheet of the depth of the round wall, uniform at first, one face dry.
    """
    check_range("time_s", time_s, *purge.TIME_RANGE_S, "s")
    filled = idle_fill_frac(idle_s, hose)
    purge._check_duty(duty)
    return elementwise(lambda m, t: purge._after_idle(m, t, hose, duty, filled), time_s)


def regulator_outlet_c(flow_lmin: V, duty: regulator.RegulatorDuty, body: regulator.RegulatorBody) -> V:
    """Temperature of the gas that leaves the regulator, after it took heat from the body.

    Arguments:
        flow_lmin: gas flow, litres a minute at 15 degC and 1 atm, any shape, 0.1 to 100.
        duty: gas, its state before and behind the seat, and the air of the room.
        body: the regulator.
    Returns:
        gas temperature, degC, same shape; below the frost point of carbon dioxide it means snow in the hose.
    Raises:
        RangeError: an argument or a field outside its range, or an inlet at which part of the gas is liquid.
        InputError: a gas without an equation of state in gas_state.
    Reference:
        As for regulator_body_c.
    """
    check_range("flow_lmin", flow_lmin, *regulator.FLOW_RANGE_LMIN, "L/min")
    regulator._check(duty, body)
    balance = regulator._balance(duty, body)

    def outlet(m: Maths, f: Any) -> Any:
        taken_wk = regulator._gas_wk(m, f, balance, body)
        share = taken_wk / (f * (regulator.STANDARD_LITRE_MOL / 60.0) * balance.gas_jmolk)
        return balance.jet_c + share * (regulator._body_c(m, f, balance, duty, body) - balance.jet_c)

    return elementwise(outlet, flow_lmin)


def regulator_water_gh(flow_lmin: V, duty: regulator.RegulatorDuty, body: regulator.RegulatorBody) -> V:
    """Water (or frost, below 0.01 degC) that settles on the body of a regulator in an hour of steady flow.

    Arguments:
        flow_lmin: gas flow, litres a minute at 15 degC and 1 atm, any shape, 0.1 to 100.
        duty: gas, its state before and behind the seat, and the air of the room.
        body: the regulator.
    Returns:
        water, g/h, same shape; 0 where the body stays dry.
    Raises:
        RangeError: an argument or a field outside its range, or an inlet at which part of the gas is liquid.
        InputError: a gas without an equation of state in gas_state.
    Reference:
        Lewis relation with Le = 0.86 and the convection of the body, at the temperature of regulator_body_c.
    """
    check_range("flow_lmin", flow_lmin, *regulator.FLOW_RANGE_LMIN, "L/min")
    regulator._check(duty, body)
    balance = regulator._balance(duty, body)

    def water(m: Maths, f: Any) -> Any:
        settling, _ = regulator._settling_pa(m, regulator._body_c(m, f, balance, duty, body), balance)
        return 3600.0e3 * balance.wet_wpa * settling

    return elementwise(water, flow_lmin)


def regulator_time_constant_s(
    flow_lmin: V, duty: regulator.RegulatorDuty, body: regulator.RegulatorBody
) -> V:
    """How slowly the body follows: after this time 63 % of the way to the settled temperature is done.

    Arguments:
        flow_lmin: gas flow, litres a minute at 15 degC and 1 atm, any shape, 0.1 to 100.
        duty: gas, its state before and behind the seat, and the air of the room.
        body: the regulator.
    Returns:
        time constant of the dry body, s, same shape; sweat shortens it.
    Raises:
        RangeError: an argument or a field outside its range, or an inlet at which part of the gas is liquid.
        InputError: a gas without an equation of state in gas_state.
    Reference:
        One lump: heat capacity over the conductances to room, cylinder and gas of regulator_body_c.
    """
    check_range("flow_lmin", flow_lmin, *regulator.FLOW_RANGE_LMIN, "L/min")
    regulator._check(duty, body)
    balance = regulator._balance(duty, body)
    return elementwise(
        lambda m, f: (
            body.heat_capacity_jk
            / (balance.dry_wk + body.stem_conductance_wk + regulator._gas_wk(m, f, balance, body))
        ),
        flow_lmin,
    )
