"""How air carries heat and how it rises: conductivity, viscosity and Rayleigh number of dry air."""

from typing import Any

from monitor.physics.elementwise import Maths, V, Values, check_range, elementwise
from monitor.physics.saturation import ZERO_C_K

STANDARD_PRESSURE_PA = 101_325.0
PRANDTL_AIR = 0.71  # 0.719 at -45 degC, 0.703 at 60 degC
HEAT_CAPACITY_AIR_JKGK = 1006.1  # within 0.1 % over -45..60 degC
AIR_RANGE_C = (-60.0, 120.0)
PRESSURE_RANGE_PA = (50_000.0, 110_000.0)

# Dry air at 101 325 Pa as powers of T/273.15 K, fitted to Lemmon and Jacobsen 2004 over -45..60 degC
_CONDUCTIVITY = (0.024337, 0.8566)  # W/mK, within 0.2 %
_VISCOSITY = (1.7201e-5, 0.7929)  # Pa s, within 0.2 %
_BUOYANCY = (1.4429e8, -4.6508)  # g beta/(nu alpha), 1/(m3 K), within 0.5 %
_GAS_CONSTANT_AIR = 287.055  # J/kgK


def conductivity_wmk(air_temperature_c: V) -> V:
    """Thermal conductivity of dry air near atmospheric pressure.

    Arguments:
        air_temperature_c: air temperature, degC, any shape, -60 to 120.
    Returns:
        thermal conductivity, W/mK, same shape.
    Raises:
        RangeError: temperature outside its range.
    Reference:
        Power law fitted to Lemmon and Jacobsen, Int. J. Thermophys. 25 (2004) 21,
        doi 10.1023/B:IJOT.0000022327.04529.f3; within 0.2 % of it over -45..60 degC, 0.7 % to 120 degC.
    """
    check_range("air_temperature_c", air_temperature_c, *AIR_RANGE_C, "degC")
    return elementwise(_conductivity, air_temperature_c)


def kinematic_viscosity_m2s(air_temperature_c: V, pressure_pa: Values = STANDARD_PRESSURE_PA) -> V:
    """Kinematic viscosity of dry air.

    Arguments:
        air_temperature_c: air temperature, degC, any shape, -60 to 120.
        pressure_pa: station pressure, Pa, broadcast, 50 000 to 110 000.
    Returns:
        kinematic viscosity, m2/s, broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Power law fitted to Lemmon and Jacobsen 2004, doi 10.1023/B:IJOT.0000022327.04529.f3 (within 0.2 %
        over -45..60 degC), over the ideal-gas density.
    """
    check_range("air_temperature_c", air_temperature_c, *AIR_RANGE_C, "degC")
    check_range("pressure_pa", pressure_pa, *PRESSURE_RANGE_PA, "Pa")
    return elementwise(_kinematic_viscosity, air_temperature_c, pressure_pa)


def conductivity_at(kelvin_ratio: Any) -> Any:
    """Conductivity of dry air, W/mK, from T/273.15 K; the kernel of `conductivity_wmk`."""
    return _CONDUCTIVITY[0] * kelvin_ratio ** _CONDUCTIVITY[1]


def buoyancy_at(kelvin_ratio: Any, gap_k: Any) -> Any:
    """Rayleigh number over length cubed at 101 325 Pa, 1/m3; the kernel of `rayleigh_number`."""
    return _BUOYANCY[0] * kelvin_ratio ** _BUOYANCY[1] * gap_k


def _conductivity(_: Maths, air_c: Any) -> Any:
    return conductivity_at((air_c + ZERO_C_K) / ZERO_C_K)


def _kinematic_viscosity(_: Maths, air_c: Any, pressure_pa: Any) -> Any:
    kelvin = air_c + ZERO_C_K
    viscosity = _VISCOSITY[0] * (kelvin / ZERO_C_K) ** _VISCOSITY[1]
    return viscosity * _GAS_CONSTANT_AIR * kelvin / pressure_pa
