"""Estimates how much water an opened package has taken from the air, and how deep: a slab that sorbs.

The coating of an electrode, a bed of flux and the winding of a spool are treated alike: a slab, open on one
face and closed on the other, whose open face is in balance with the air and into which water diffuses. Early
uptake goes with the square root of time, late uptake levels off, and drier air draws the water out again.
No published weight-gain curve stands behind the parameters of cored wire: every result is an estimate, and
none may lengthen a code's clock.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from monitor.model.errors import RangeError
from monitor.physics.elementwise import FloatArray, Maths, V, check_range, elementwise
from monitor.physics.saturation import vapour_pressure_pa

MODES = 48
REFERENCE_TEMPERATURE_C = 27.0  # the absorbed-moisture test of the electrode standards: 80 F, 80 % RH
REFERENCE_HUMIDITY_FRAC = 0.80
REFERENCE_VAPOUR_PRESSURE_PA = vapour_pressure_pa(REFERENCE_TEMPERATURE_C, REFERENCE_HUMIDITY_FRAC)

_BLOCK = 4096
_PROFILE_POINTS = 2000
_GAS_CONSTANT_JMOLK = 8.314462618
_ZERO_C_K = 273.15
_WAVES = np.arange(MODES) * 2.0 + 1.0
_SERIES = 4.0 / (np.pi * _WAVES)
_TEMPERATURE_RANGE_C = (-60.0, 350.0)
_HUMIDITY_RANGE = (0.0, 1.2)


@dataclass(frozen=True, slots=True)
class SorptionParameters:
    """One material: how much water it takes, how fast, and how surely that is known.

    equilibrium_kgkg: water per dry material in the end, at the reference humidity of 80 %, kg/kg.
    humidity_exponent: the equilibrium goes with humidity to this power, dimensionless.
    diffusivity_m2s: of water into the slab at 27 degC, m²/s.
    activation_jmol: how the diffusivity rises with temperature (Arrhenius), J/mol.
    depth_m: of the slab, open face to closed face, m.
    layer_m: thickness of the outer layer whose mean is reported as the uptake, m, at most depth_m.
    spread_factor: the true uptake is thought to lie between uptake / factor and uptake · factor, at least 1.
    """

    equilibrium_kgkg: float
    humidity_exponent: float
    diffusivity_m2s: float
    activation_jmol: float
    depth_m: float
    layer_m: float
    spread_factor: float

    def __post_init__(self) -> None:
        check_range("equilibrium_kgkg", self.equilibrium_kgkg, 1e-8, 1.0, "kg/kg")
        check_range("humidity_exponent", self.humidity_exponent, 0.1, 10.0, "")
        check_range("diffusivity_m2s", self.diffusivity_m2s, 1e-18, 1e-4, "m²/s")
        check_range("activation_jmol", self.activation_jmol, 0.0, 2e5, "J/mol")
        check_range("depth_m", self.depth_m, 1e-5, 1.0, "m")
        check_range("layer_m", self.layer_m, 1e-6, self.depth_m, "m (depth_m at most)")
        check_range("spread_factor", self.spread_factor, 1.0, 100.0, "")


def exposure_weight(vapour_pressure_pa: V) -> V:
    """How much faster than in the reference air the exposure runs: the ratio of the vapour pressures.

    Arguments:
        vapour_pressure_pa: of the air around the package, Pa, any shape, 0 to 1.8e6.
    Returns:
        weight, dimensionless, same shape; 1 at 27 degC and 80 % relative humidity (2854 Pa).
    Raises:
        RangeError: vapour pressure outside its range.
    Reference:
        Our planning rule. The reference air is the 9 h absorbed-moisture test at 80 F (27 degC), 80 % RH of
        AWS A5.1 and A5.5 and the exposure test of AWS D1.8; vapour pressure is what drives diffusion in.
    """
    check_range("vapour_pressure_pa", vapour_pressure_pa, 0.0, 1.8e6, "Pa")
    return elementwise(_weight, vapour_pressure_pa)


def _weight(_maths: Maths, pressure_pa: Any) -> Any:
    return pressure_pa / REFERENCE_VAPOUR_PRESSURE_PA


def equilibrium_uptake_kgkg(relative_humidity_frac: V, parameters: SorptionParameters) -> V:
    """Water that the material holds in the end in air of a humidity.

    Arguments:
        relative_humidity_frac: at the material's own temperature, fraction, any shape, 0 to 1.2 (counted as 1
            above 1).
        parameters: the material.
    Returns:
        water per dry material, kg/kg, same shape.
    Raises:
        RangeError: humidity outside its range.
    Reference:
        A power law (Freundlich form), a common modelling choice and no welding standard: m = m80 · (φ/0.8)^n.
    """
    check_range("relative_humidity_frac", relative_humidity_frac, *_HUMIDITY_RANGE, "(a fraction)")

    def law(maths: Maths, humidity: Any) -> Any:
        capped = maths.where(humidity > 1.0, 1.0, humidity)
        return (
            parameters.equilibrium_kgkg * (capped / REFERENCE_HUMIDITY_FRAC) ** parameters.humidity_exponent
        )

    return elementwise(law, relative_humidity_frac)


def diffusivity_m2s(temperature_c: V, parameters: SorptionParameters) -> V:
    """How fast water moves in the material at a temperature.

    Arguments:
        temperature_c: of the material, degC, any shape, -60 to 350.
        parameters: the material.
    Returns:
        diffusivity, m²/s, same shape.
    Raises:
        RangeError: temperature outside its range.
    Reference:
        Arrhenius law about 27 degC; J. Crank, The Mathematics of Diffusion, 2nd ed. (1975), ch. 1.
    """
    check_range("temperature_c", temperature_c, *_TEMPERATURE_RANGE_C, "degC")
    per_gas_constant_k = parameters.activation_jmol / _GAS_CONSTANT_JMOLK
    reference = 1.0 / (REFERENCE_TEMPERATURE_C + _ZERO_C_K)

    def law(maths: Maths, temperature: Any) -> Any:
        exponent = per_gas_constant_k * (reference - 1.0 / (temperature + _ZERO_C_K))
        return parameters.diffusivity_m2s * maths.exp(exponent)

    return elementwise(law, temperature_c)


def uniform_state(uptake_kgkg: float) -> FloatArray:
    """The state of a slab that holds the same uptake at every depth; 0 is dry.

    Arguments:
        uptake_kgkg: water per dry material, kg/kg, 0 to 1.
    Returns:
        one amplitude per diffusion mode, kg/kg, shape (MODES,).
    Raises:
        RangeError: uptake outside its range.
    Reference:
        J. Crank, The Mathematics of Diffusion, 2nd ed. (1975), section 4.3, eq. (4.17).
    """
    check_range("uptake_kgkg", uptake_kgkg, 0.0, 1.0, "kg/kg")
    return np.full(MODES, uptake_kgkg, dtype=np.float64)


def advance_state(
    state_kgkg: FloatArray,
    duration_s: FloatArray,
    temperature_c: FloatArray,
    relative_humidity_frac: FloatArray,
    parameters: SorptionParameters,
) -> FloatArray:
    """The state of the slab after a series of stretches of steady air; exact for each, however long.

    Each mode relaxes towards the equilibrium of the air at (2n+1)² times the rate of the slowest. Cutting a
    stretch in two changes nothing, so that live steps and one long batch agree.

    Arguments:
        state_kgkg: as from `uniform_state` or an earlier call, kg/kg, shape (MODES,).
        duration_s: of each stretch, in order, s, shape (n,), 0 or more.
        temperature_c: of material and air, degC, shape (n,), -60 to 350.
        relative_humidity_frac: fraction, shape (n,), 0 to 1.2.
        parameters: the material.
    Returns:
        the state at the end, kg/kg, shape (MODES,).
    Raises:
        RangeError: an argument outside its range, a state of another shape.
    Reference:
        J. Crank, The Mathematics of Diffusion, 2nd ed. (1975), section 4.3.2 (slab with varying surface
        concentration), Duhamel's integral taken stretch by stretch.
    """
    if state_kgkg.shape != (MODES,):
        raise RangeError("state_kgkg", state_kgkg.shape, f"an array of shape ({MODES},)")
    check_range("duration_s", duration_s, 0.0, 1e10, "s")
    target = equilibrium_uptake_kgkg(relative_humidity_frac, parameters)
    slowest = (np.pi / (2.0 * parameters.depth_m)) ** 2
    steps = slowest * diffusivity_m2s(temperature_c, parameters) * duration_s
    state = state_kgkg
    for start in range(0, steps.size, _BLOCK):
        block = slice(start, start + _BLOCK)
        state = _advanced(state, steps[block], target[block])
    return state


def _advanced(state: FloatArray, steps: FloatArray, target: FloatArray) -> FloatArray:
    until_end = np.cumsum(steps[::-1])[::-1]  # from the start of each stretch to the end of the block
    after = np.append(until_end[1:], 0.0)
    rates = _WAVES**2
    kept = np.exp(-np.outer(after, rates)) * -np.expm1(-np.outer(steps, rates))
    advanced: FloatArray = state * np.exp(-rates * until_end[0]) + target @ kept
    return advanced


def mean_uptake_kgkg(state_kgkg: FloatArray, parameters: SorptionParameters) -> float:
    """Mean uptake of the outer layer of the slab.

    Arguments:
        state_kgkg: as from `advance_state`, kg/kg, shape (MODES,).
        parameters: the material; the layer is its `layer_m`.
    Returns:
        water per dry material, kg/kg.
    Raises:
        RangeError: a state of another shape.
    Reference:
        J. Crank, The Mathematics of Diffusion, 2nd ed. (1975), eq. (4.17) averaged from the open face to the
        layer's depth; over the whole depth it is eq. (4.18).
    """
    if state_kgkg.shape != (MODES,):
        raise RangeError("state_kgkg", state_kgkg.shape, f"an array of shape ({MODES},)")
    angle = 0.5 * np.pi * _WAVES * (parameters.layer_m / parameters.depth_m)
    shares = _SERIES * (1.0 - np.cos(angle)) / angle
    return max(float(state_kgkg[-1] + shares @ (state_kgkg - state_kgkg[-1])), 0.0)


def uptake_at_depth_kgkg(state_kgkg: FloatArray, depth_m: V, parameters: SorptionParameters) -> V:
    """Uptake at a depth below the open face.

    Arguments:
        state_kgkg: as from `advance_state`, kg/kg, shape (MODES,).
        depth_m: below the open face, m, any shape, 0 to the material's depth_m.
        parameters: the material.
    Returns:
        water per dry material, kg/kg, shape of depth_m.
    Raises:
        RangeError: a depth outside the slab, a state of another shape.
    Reference:
        J. Crank, The Mathematics of Diffusion, 2nd ed. (1975), eq. (4.17).
    """
    if state_kgkg.shape != (MODES,):
        raise RangeError("state_kgkg", state_kgkg.shape, f"an array of shape ({MODES},)")
    check_range("depth_m", depth_m, 0.0, parameters.depth_m, "m (depth of the slab)")
    angle = 0.5 * np.pi * np.multiply.outer(np.asarray(depth_m) / parameters.depth_m, _WAVES)
    profile = state_kgkg[-1] + np.sin(angle) @ (_SERIES * (state_kgkg - state_kgkg[-1]))
    return elementwise(_not_below_zero, profile if isinstance(depth_m, np.ndarray) else float(profile))


def _not_below_zero(maths: Maths, uptake: Any) -> Any:
    return maths.where(uptake < 0.0, 0.0, uptake)


def remove_outer(state_kgkg: FloatArray, depth_m: float, parameters: SorptionParameters) -> FloatArray:
    """The state after the outer part of the slab was taken away (wraps run off) and the slab went on as deep.

    The new back of the slab holds what the old back held.

    Arguments:
        state_kgkg: as from `advance_state`, kg/kg, shape (MODES,).
        depth_m: taken away, m, 0 or more; at the whole depth or beyond, the rest holds what the back held.
        parameters: the material.
    Returns:
        the new state, kg/kg, shape (MODES,).
    Raises:
        RangeError: depth below zero, a state of another shape.
    Reference:
        J. Crank, The Mathematics of Diffusion, 2nd ed. (1975), eq. (4.16): the modes of a given
        first profile, here by the midpoint rule.
    """
    check_range("depth_m", depth_m, 0.0, 1e3, "m")
    whole = parameters.depth_m
    if depth_m == 0.0:
        return state_kgkg.copy()
    places = (np.arange(_PROFILE_POINTS) + 0.5) / _PROFILE_POINTS
    profile = uptake_at_depth_kgkg(state_kgkg, np.minimum(places * whole + depth_m, whole), parameters)
    back = profile[-1]
    sines = np.sin(0.5 * np.pi * np.multiply.outer(_WAVES, places))
    modes: FloatArray = back + (2.0 / _SERIES) * (sines @ (profile - back)) / _PROFILE_POINTS
    return modes
