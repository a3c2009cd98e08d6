"""How a spool is wound: layers from the outside in, their length, mass and minutes, and what to run off.

The winding is taken as level layers of round wire: neighbouring wraps lie a little more than a diameter
apart, neighbouring layers a little less, because a layer sinks into the grooves of the one below. Water is
taken to enter through the outside of the winding; the open sides of a wire basket are left out, which is why
the test bead, not this estimate, has the last word.
"""

import math
from dataclasses import dataclass

import numpy as np

from monitor.model.errors import RangeError
from monitor.physics.elementwise import FloatArray, check_range
from monitor.physics.sorption import SorptionParameters, uptake_at_depth_kgkg

_CLEAR_POINTS = 801
MINUTE_S = 60.0


@dataclass(frozen=True, slots=True)
class Winding:
    """One spool wound with one wire.

    barrel_m: diameter on which the first layer lies, m. flange_m: outer diameter of the spool, m.
    width_m: between the flanges, m. wire_m: wire diameter, m. density_kgm3: mass of wire over its outer
    volume (a cored wire is lighter than steel), kg/m³. wrap_pitch: distance of neighbouring wraps over the
    diameter, at least 1. layer_pitch: distance of neighbouring layers over the diameter, 0.866 (nested) to 1.
    """

    barrel_m: float
    flange_m: float
    width_m: float
    wire_m: float
    density_kgm3: float
    wrap_pitch: float
    layer_pitch: float

    def __post_init__(self) -> None:
        check_range("barrel_m", self.barrel_m, 0.01, 2.0, "m")
        check_range("flange_m", self.flange_m, self.barrel_m, 3.0, "m (barrel_m at least)")
        check_range("width_m", self.width_m, 0.005, 2.0, "m")
        check_range("wire_m", self.wire_m, 1e-4, self.width_m, "m (width_m at most)")
        check_range("density_kgm3", self.density_kgm3, 1000.0, 12_000.0, "kg/m³")
        check_range("wrap_pitch", self.wrap_pitch, 1.0, 2.0, "")
        check_range("layer_pitch", self.layer_pitch, math.sqrt(0.75) - 1e-9, 1.5, "")


@dataclass(frozen=True, slots=True)
class Layers:
    """The layers of a spool from the outside in; the outermost may be only partly wound."""

    depth_m: FloatArray  # of the wires' centres below the outside of the winding
    wraps: FloatArray
    length_m: FloatArray
    mass_kg: FloatArray
    wound_m: float  # outer diameter of the winding


@dataclass(frozen=True, slots=True)
class RunOff:
    """What to pull off and scrap, in whole layers."""

    layers: int
    wraps: float
    length_m: float
    minutes: float
    mass_kg: float
    of_spool_frac: float
    cost: float  # in the currency of the price
    whole_spool: bool  # even the innermost layer lies within the wet depth


def linear_density_kgm(winding: Winding) -> float:
    """Mass of a metre of the wire.

    Arguments:
        winding: the spool and its wire.
    Returns:
        mass per length, kg/m.
    Raises:
        nothing beyond what Winding itself refuses.
    Reference:
        Geometry: density times the circle of the wire's diameter.
    """
    return winding.density_kgm3 * 0.25 * math.pi * winding.wire_m**2


def capacity_kg(winding: Winding, clearance_m: float = 0.0) -> float:
    """Mass of wire that fits between barrel and flange edge, in whole layers.

    Arguments:
        winding: the spool and its wire.
        clearance_m: radial distance kept free below the flange's edge, m, 0 to 0.5.
    Returns:
        mass of wire, kg.
    Raises:
        RangeError: clearance outside its range.
    Reference:
        Geometry: the sum over layers of wraps · 2 π r times the mass per length.
    """
    check_range("clearance_m", clearance_m, 0.0, 0.5, "m")
    pitch = winding.layer_pitch * winding.wire_m
    room = 0.5 * (winding.flange_m - winding.barrel_m) - clearance_m - winding.wire_m
    count = max(math.floor(room / pitch + 1e-9) + 1, 0) if room >= -1e-12 else 0
    return float(_inside_out(winding, count).sum()) * linear_density_kgm(winding)


def layers_of(winding: Winding, mass_kg: float) -> Layers:
    """The layers of a spool that holds a mass of wire, from the outside in.

    Arguments:
        winding: the spool and its wire.
        mass_kg: wire on the spool now, kg, above 0, at most what fits to the flange's edge.
    Returns:
        depth of each layer's wires below the outside, wraps, length and mass per layer, outer diameter.
    Raises:
        RangeError: no mass, or more than the spool can hold.
    Reference:
        Geometry: layer k from the barrel has its wires' centres at r = barrel/2 + d/2 + k · pitch and holds
        floor(width / wrap pitch) wraps of length 2 π r.
    """
    most = capacity_kg(winding)
    if not 0.0 < mass_kg <= most * (1.0 + 1e-9):
        raise RangeError("mass_kg", mass_kg, f"above 0 and at most {most:.3g} kg, what this spool can hold")
    pitch = winding.layer_pitch * winding.wire_m
    room = math.floor(0.5 * (winding.flange_m - winding.barrel_m) / pitch) + 2
    lengths = _inside_out(winding, room)
    wanted = mass_kg / linear_density_kgm(winding)
    before = np.concatenate(([0.0], np.cumsum(lengths)[:-1]))
    lengths = np.minimum(lengths, np.maximum(wanted - before, 0.0))
    lengths = lengths[lengths > 1e-9]
    count = lengths.size
    radius = 0.5 * (winding.barrel_m + winding.wire_m) + pitch * np.arange(count)
    outside_in = slice(None, None, -1)
    return Layers(
        depth_m=0.5 * winding.wire_m + pitch * np.arange(count, dtype=np.float64),
        wraps=(lengths / (2.0 * math.pi * radius))[outside_in],
        length_m=lengths[outside_in],
        mass_kg=lengths[outside_in] * linear_density_kgm(winding),
        wound_m=float(2.0 * radius[-1] + winding.wire_m),
    )


def _inside_out(winding: Winding, count: int) -> FloatArray:
    """Lengths of full layers, the innermost first."""
    pitch = winding.layer_pitch * winding.wire_m
    wraps = math.floor(winding.width_m / (winding.wrap_pitch * winding.wire_m) + 1e-9)
    radius = 0.5 * (winding.barrel_m + winding.wire_m) + pitch * np.arange(count, dtype=np.float64)
    lengths: FloatArray = 2.0 * math.pi * radius * wraps
    return lengths


def wet_depth_m(state_kgkg: FloatArray, clear_kgkg: float, parameters: SorptionParameters) -> float:
    """How deep the wire holds more water than a chosen uptake.

    Arguments:
        state_kgkg: the sorbing slab of the winding, kg/kg, shape (MODES,).
        clear_kgkg: uptake below which a wrap counts as clear, kg/kg, above 0, to 1.
        parameters: the winding's material.
    Returns:
        depth below the outside of the winding, m; 0 when nothing is wet, the slab's depth when all is.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Crank 1975, eq. (4.17), searched from the back of the slab in 800 steps, then linearly in between.
    """
    check_range("clear_kgkg", clear_kgkg, 1e-12, 1.0, "kg/kg")
    depth = np.linspace(0.0, parameters.depth_m, _CLEAR_POINTS)
    profile = uptake_at_depth_kgkg(state_kgkg, depth, parameters)
    wet = np.flatnonzero(profile > clear_kgkg)
    if wet.size == 0:
        return 0.0
    last = int(wet[-1])
    if last == depth.size - 1:
        return parameters.depth_m
    high, low = float(profile[last]), float(profile[last + 1])
    share = (high - clear_kgkg) / (high - low)
    return float(depth[last] + share * (depth[last + 1] - depth[last]))


def run_off(layers: Layers, wet_m: float, feed_ms: float, price_per_kg: float = 0.0) -> RunOff:
    """The whole layers to pull off so that what is left lies below the wet depth.

    Arguments:
        layers: the spool as it is, from `layers_of`.
        wet_m: depth of the wet wire below the outside, m, 0 or more.
        feed_ms: wire feed speed while running off, m/s, above 0, to 2.
        price_per_kg: of the wire, in any currency, 0 or more.
    Returns:
        layers, wraps, length m, minutes, mass kg, share of the spool, cost.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Geometry. A layer goes when its wires' centres lie within the wet depth, and the outermost goes
        whenever any depth is wet: rule of the trade, "a layer or two".
    """
    check_range("wet_m", wet_m, 0.0, 10.0, "m")
    check_range("feed_ms", feed_ms, 1e-3, 2.0, "m/s")
    check_range("price_per_kg", price_per_kg, 0.0, 1e6, "")
    count = int(np.count_nonzero(layers.depth_m < wet_m))
    if wet_m > 0.0:
        count = max(count, 1)
    length = float(layers.length_m[:count].sum())
    mass = float(layers.mass_kg[:count].sum())
    return RunOff(
        layers=count,
        wraps=float(layers.wraps[:count].sum()),
        length_m=length,
        minutes=length / feed_ms / MINUTE_S,
        mass_kg=mass,
        of_spool_frac=mass / float(layers.mass_kg.sum()),
        cost=mass * price_per_kg,
        whole_spool=count == layers.depth_m.size,
    )
