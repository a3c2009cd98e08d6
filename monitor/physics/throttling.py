"""How cold a gas leaves a regulator's seat, where its pressure falls without heat or work from outside."""

from monitor.physics.elementwise import Values, check_below, check_range

INLET_RANGE_C = (-40.0, 60.0)
INLET_RANGE_PA = (1.0e5, 3.0e7)
OUTLET_RANGE_PA = (5.0e4, 1.0e6)

_STEPS = 60
_STEP_ENOUGH_K = 1e-7
_ICE_K, _LIQUID_K = (
    3100.0,
    1950.0,
)  # heat of sublimation and of vaporisation over the gas constant, for a start


def _check(inlet_c: Values, inlet_pa: Values, outlet_pa: Values) -> None:
    check_range("inlet_c", inlet_c, *INLET_RANGE_C, "degC")
    check_range("inlet_pa", inlet_pa, *INLET_RANGE_PA, "Pa")
    check_range("outlet_pa", outlet_pa, *OUTLET_RANGE_PA, "Pa")
    check_below("outlet_pa", outlet_pa, "inlet_pa", inlet_pa)
