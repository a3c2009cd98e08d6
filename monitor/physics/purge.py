"""How wet a gas hose gets while it is idle, and how long gas must run through it before it is dry again."""

import math
from dataclasses import dataclass
from typing import Any

from monitor.physics.elementwise import SCALAR, Maths, V, check_range, elementwise
from monitor.physics.gas_moisture import PPMV_RANGE
from monitor.physics.gas_state import GAS_CONSTANT
from monitor.physics.regulator import FLOW_RANGE_LMIN, STANDARD_LITRE_MOL
from monitor.physics.saturation import ZERO_C_K

TIME_RANGE_S = (0.0, 1.0e8)
_LONGEST_S = 4.0e5
_TERMS = 60  # of the sums over the wall's modes; more than enough from 1e-3 wall times on
_BISECTIONS = 60


@dataclass(frozen=True, slots=True)
class Hose:
    """A gas hose: size, and what its wall does to water vapour.

    `permeability_mol_mspa`, in mol m / (m2 s Pa), says how fast vapour passes the wall; `diffusivity_m2s`
    says how soon.
    """

    length_m: float
    bore_m: float
    wall_m: float
    permeability_mol_mspa: float
    diffusivity_m2s: float

    @property
    def depth_m(self) -> float:
        """Thickness of the flat wall that passes as much per bore area as the round one.

        Its times are counted in depth times wall over diffusivity, which follows a round wall best.
        """
        inner = 0.5 * self.bore_m
        return inner * math.log((inner + self.wall_m) / inner)

    @property
    def inner_area_m2(self) -> float:
        """Area of the bore."""
        return math.pi * self.bore_m * self.length_m


@dataclass(frozen=True, slots=True)
class HoseDuty:
    """What the hose stood in, and the gas that is to run through it; `hose_pressure_pa` is absolute."""

    room_c: float
    room_vapour_pa: float
    hose_pressure_pa: float
    flow_lmin: float
    supply_ppmv: float


def _check_hose(hose: Hose) -> None:
    check_range("hose.length_m", hose.length_m, 0.01, 500.0, "m")
    check_range("hose.bore_m", hose.bore_m, 1e-3, 0.05, "m")
    check_range("hose.wall_m", hose.wall_m, 1e-4, 0.05, "m")
    check_range("hose.permeability_mol_mspa", hose.permeability_mol_mspa, 0.0, 1e-10, "mol/(m s Pa)")
    check_range("hose.diffusivity_m2s", hose.diffusivity_m2s, 1e-14, 1e-8, "m2/s")


def _check_duty(duty: HoseDuty) -> None:
    check_range("duty.room_c", duty.room_c, -40.0, 60.0, "degC")
    check_range("duty.room_vapour_pa", duty.room_vapour_pa, 0.0, 2e4, "Pa")
    check_range("duty.hose_pressure_pa", duty.hose_pressure_pa, 8e4, 2e6, "Pa")
    check_range("duty.flow_lmin", duty.flow_lmin, *FLOW_RANGE_LMIN, "L/min")
    check_range("duty.supply_ppmv", duty.supply_ppmv, 0.0, PPMV_RANGE[1], "ppmv")


def _idle_fill(maths: Maths, idle_s: Any, hose: Hose) -> Any:
    walls = hose.diffusivity_m2s / (hose.depth_m * hose.wall_m) * idle_s
    short: Any = 0.0
    for n in range(_TERMS):
        wave = (n + 0.5) * math.pi
        short = short + 2.0 / wave**2 * maths.exp(-(wave**2) * walls)
    filled = 1.0 - short
    return maths.where(filled > 0.0, filled, 0.0 * filled)


def _wall_gain(maths: Maths, time_s: Any, hose: Hose) -> Any:
    """Inflow through the bore over the steady one, less 1, from a wall that had filled: 2 sum exp(-n2 w)."""
    walls = hose.diffusivity_m2s / (hose.depth_m * hose.wall_m) * time_s
    early = walls < 0.05
    soon = maths.where(early, walls, 0.05)
    root = 1.0 / maths.sqrt(math.pi * maths.where(soon > 1e-12, soon, 1e-12)) - 1.0
    late = maths.where(early, 0.05, walls)
    series: Any = 0.0
    for n in range(1, 12):
        series = series + 2.0 * maths.exp(-(n**2) * math.pi**2 * late)
    return maths.where(early, root, series)


def _after_idle(maths: Maths, time_s: Any, hose: Hose, duty: HoseDuty, filled: float) -> Any:
    flow_mols = duty.flow_lmin * STANDARD_LITRE_MOL / 60.0
    thermal = GAS_CONSTANT * (duty.room_c + ZERO_C_K)
    held_mol = duty.hose_pressure_pa * 0.25 * math.pi * hose.bore_m**2 * hose.length_m / thermal
    stagnant = 1e6 * filled * duty.room_vapour_pa / duty.hose_pressure_pa
    washed = stagnant * maths.exp(-flow_mols / held_mol * time_s)
    steady_mols = hose.permeability_mol_mspa * duty.room_vapour_pa * hose.inner_area_m2 / hose.depth_m
    walls = 1e6 * steady_mols / flow_mols * (1.0 + filled * _wall_gain(maths, time_s, hose))
    most = duty.supply_ppmv + stagnant
    ppmv = duty.supply_ppmv + washed + walls
    return maths.where(ppmv < most, ppmv, most)


def running_ppmv(flow_lmin: V, hose: Hose, duty: HoseDuty) -> V:
    """Moisture at the torch when gas has run for very long: the supply and what passes the wall for good.

    Arguments:
        flow_lmin: gas flow, litres a minute at 15 degC and 1 atm, any shape, 0.1 to 100; replaces that of
            duty.
        hose: the hose.
        duty: the room around it and the supply.
    Returns:
        moisture, parts per million by volume, same shape; the least a purge can reach.
    Raises:
        RangeError: an argument or a field outside its range.
    Reference:
        Steady permeation through a round wall: Crank 1975, ch. 5.
    """
    check_range("flow_lmin", flow_lmin, *FLOW_RANGE_LMIN, "L/min")
    _check_hose(hose)
    _check_duty(duty)
    steady_mols = hose.permeability_mol_mspa * duty.room_vapour_pa * hose.inner_area_m2 / hose.depth_m
    return elementwise(
        lambda _, f: duty.supply_ppmv + 1e6 * steady_mols / (f * STANDARD_LITRE_MOL / 60.0), flow_lmin
    )


def purge_time_s(target_ppmv: float, idle_s: float, hose: Hose, duty: HoseDuty) -> float:
    """How long gas must run through a hose that stood idle before what arrives is dry enough.

    Arguments:
        target_ppmv: moisture to be reached, ppmv, 0.1 to 5e5.
        idle_s: time the hose stood, s, 0 to 1e8.
        hose: the hose.
        duty: the room it stood in, its pressure, flow and supply.
    Returns:
        time, s; infinity where the target is never reached (within 4e5 s): wetter supply, or a hose that
        lets in more than that at this flow.
    Raises:
        RangeError: an argument or a field outside its range.
    Reference:
        Bisection on after_idle_ppmv, which falls with time.
    """
    check_range("target_ppmv", target_ppmv, *PPMV_RANGE, "ppmv")
    check_range("idle_s", idle_s, *TIME_RANGE_S, "s")
    _check_hose(hose)
    _check_duty(duty)
    filled = float(_idle_fill(SCALAR, idle_s, hose))
    low, high = 0.0, _LONGEST_S
    if _after_idle(SCALAR, high, hose, duty, filled) > target_ppmv:
        return math.inf
    if _after_idle(SCALAR, low, hose, duty, filled) <= target_ppmv:
        return 0.0
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        if _after_idle(SCALAR, middle, hose, duty, filled) > target_ppmv:
            low = middle
        else:
            high = middle
    return high
