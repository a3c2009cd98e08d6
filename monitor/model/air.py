"""The believed air of one zone."""

from dataclasses import dataclass


@dataclass(frozen=True)  # without slots, so that what nobody asks for can wait: see `core.zone_air.MixedAir`
class AirState:
    """The believed air of one zone at one moment."""

    time_s: float
    temperature_c: float
    relative_humidity_frac: float
    dew_point_c: float
    frost_point_c: float
    vapour_pressure_pa: float
    absolute_humidity_gm3: float
    humidity_ratio_kgkg: float
    wet_bulb_c: float
    dew_point_std_k: float
