"""What a body is, thermally: a shell that meets the air, a content behind it, and the water it can carry.

A body is lumped: its shell has one temperature (Biot numbers are 0.0007 to 0.006 for plates, 0.0014 for a
cylinder's wall), its content has another, and a conductance joins the two. A stack too thick for that (Biot
number above 0.1) has its outer layer for a shell and its core for a content.
"""

import math
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, TypeVar

from monitor.model.errors import Fault, InputError
from monitor.physics.convection import Face, Surface
from monitor.physics.elementwise import check_range
from monitor.physics.night_sky import STEFAN_BOLTZMANN_WM2K4, SkyDoubt

BIOT_LIMIT = 0.1
STRAIGHT = 2  # points of a content whose heat capacity is the same at all temperatures
_T = TypeVar("_T")
# Outer layer of a thick stack: it then leads the mean as the surface of a slab does under steady heat
_OUTER_SHARE = 1.0 - (2.0 / 3.0) ** 0.5
# Of a face: how much of what it sees is sky, where nothing stands around (Incropera et al., section 13.1)
SKY_VIEW = dict.fromkeys(Face, 0.5) | {Face.FACING_UP: 1.0, Face.FACING_DOWN: 0.0}
_MOST_ROOM_EXCHANGE_WM2K = 10.0  # for the Biot number: the high end counts a stack as thick sooner


@dataclass(frozen=True, slots=True)
class Material:
    """A solid's density, heat capacity and conductivity."""

    density_kgm3: float
    heat_capacity_jkgk: float
    conductivity_wmk: float


@dataclass(frozen=True, slots=True)
class Content:
    """What a kilogram of a cylinder's content stores at constant volume, by temperature and mean density."""

    temperatures_c: tuple[float, ...]
    densities_kgm3: tuple[float, ...]
    energy_jkg: tuple[tuple[float, ...], ...]  # one row per density
    liquefied: bool


@dataclass(frozen=True, slots=True)
class BodyData:
    """The reference numbers bodies are built from (`shared/bodies.toml`)."""

    materials: Mapping[str, Material]
    contents: Mapping[str, Content]
    cylinders: Mapping[str, Mapping[str, float]]  # sizes by gas, and "usual"
    gas_coupling_wm2k: float
    liquid_coupling_wm2k: float
    upright_run_off_gm2: float
    flat_run_off_gm2: float
    exchange_std_frac: float
    drift_kh: float
    air_wander_kh: float
    brought_in_std_k: float
    memory_h: float  # what a body met longer ago no longer shows
    sky_doubt: SkyDoubt
    open_roof_view_frac: float
    emissivity: float  # of paint, mill scale and rust


@dataclass(frozen=True)  # without slots, so that what follows from it is worked out once
class Body:
    """The thermal description of one body; it names no particular body and has no state."""

    surfaces: tuple[Surface, ...]
    area_m2: float
    emissivity: float
    shell_jk: float
    content_c: tuple[float, ...]  # temperatures of the content's stored heat; empty: no content
    content_j: tuple[float, ...]
    coupling_wk: float
    run_off_gm2: float
    internal_w: float  # heat given to the shell from inside; negative where a gas expands and chills it
    exchange_std_frac: float
    drift_kh: float
    air_wander_kh: float
    sky_doubt: SkyDoubt

    @cached_property
    def sky_area_m2(self) -> float:
        """Black area facing upwards that sees as much of an open sky as this body does."""
        return self.emissivity * sum(surface.area_m2 * SKY_VIEW[surface.face] for surface in self.surfaces)

    @cached_property
    def radiance_wm2k4(self) -> float:
        """What its skin radiates, over the fourth power of its temperature."""
        return self.emissivity * STEFAN_BOLTZMANN_WM2K4

    @cached_property
    def drift_k2h(self) -> float:
        """Variance of the skin gained per hour."""
        return self.drift_kh**2

    @cached_property
    def exchange_var(self) -> float:
        """Variance of the logarithm of the factor on all exchange where nothing was learned."""
        return self.exchange_std_frac**2

    @cached_property
    def straight_jk(self) -> float:
        """Heat capacity of a content that has the same at every temperature, J/K."""
        return (self.content_j[1] - self.content_j[0]) / (self.content_c[1] - self.content_c[0])

    def content_jk(self, from_c: float, to_c: float) -> float:
        """Mean heat capacity of the content between two temperatures, J/K; 0 without content."""
        if not self.content_c:
            return 0.0
        if len(self.content_c) == STRAIGHT:
            return self.straight_jk
        if abs(to_c - from_c) < 0.01:
            from_c, to_c = from_c - 0.005, from_c + 0.005
        return (self._stored_j(to_c) - self._stored_j(from_c)) / (to_c - from_c)

    def _stored_j(self, temperature_c: float) -> float:
        last = len(self.content_c) - 2
        index = min(max(bisect_right(self.content_c, temperature_c) - 1, 0), last)
        low_c, low_j = self.content_c[index], self.content_j[index]
        slope = (self.content_j[index + 1] - low_j) / (self.content_c[index + 1] - low_c)
        return low_j + (temperature_c - low_c) * slope


def body_data(tables: Mapping[str, Any]) -> BodyData:
    """Builds the reference numbers from the mapping that `shared/bodies.toml` holds.

    Arguments:
        tables: the file's tables, plain mappings and numbers.
    Returns:
        the numbers as frozen values, SI units.
    Raises:
        InputError: a table or number is missing or is no number; names it.
    Reference:
        The provenance stands beside each number in the file.
    """
    return BodyData(
        materials={name: _material(tables, name) for name in _table(tables, "materials")},
        contents={name: _content(tables, name) for name in _table(tables, "contents")},
        cylinders={name: _cylinder(tables, name) for name in _table(tables, "cylinders")},
        gas_coupling_wm2k=_number(tables, "coupling", "gas_wm2k"),
        liquid_coupling_wm2k=_number(tables, "coupling", "liquid_wm2k"),
        upright_run_off_gm2=_number(tables, "run_off", "upright_gm2"),
        flat_run_off_gm2=_number(tables, "run_off", "flat_gm2"),
        exchange_std_frac=_number(tables, "uncertainty", "exchange_frac"),
        drift_kh=_number(tables, "uncertainty", "drift_kh"),
        air_wander_kh=_number(tables, "uncertainty", "air_wander_kh"),
        brought_in_std_k=_number(tables, "uncertainty", "brought_in_k"),
        memory_h=_number(tables, "uncertainty", "memory_h"),
        sky_doubt=SkyDoubt(
            _number(tables, "sky", "formula_std_wm2"), _number(tables, "sky", "cover_std_frac")
        ),
        open_roof_view_frac=_number(tables, "sky", "open_roof_view_frac"),
        emissivity=_number(tables, "surface", "emissivity"),
    )


def cylinder_body(
    data: BodyData,
    gas: str,
    *,
    diameter_m: float,
    height_m: float,
    steel_kg: float,
    gas_kg: float,
    emissivity: float | None = None,
) -> Body:
    """A standing gas cylinder: steel shell, and a gas or liquid behind it.

    Arguments:
        data: reference numbers.
        gas: name of the content in the reference numbers, such as "argon" or "co2".
        diameter_m: outer diameter, m, a float, 0.02 to 1.
        height_m: height, m, a float, 0.1 to 3.
        steel_kg: mass of the empty cylinder, kg, a float, 0.1 to 1000.
        gas_kg: mass of the content, kg, a float, 0 to 1000.
        emissivity: of the painted shell, a float, 0 to 1; None: as the reference numbers say.
    Returns:
        the body.
    Raises:
        RangeError: a number outside its range.
        InputError: a gas that is not in the reference numbers.
    Reference:
        Geometry: side and top meet the air, the foot does not. Inner volume: outer volume less the steel's.
        Carbon dioxide: internal energy of Span and Wagner 1996 at the mean density of the content.
    """
    check_range("diameter_m", diameter_m, 0.02, 1.0, "m")
    check_range("height_m", height_m, 0.1, 3.0, "m")
    check_range("steel_kg", steel_kg, 0.1, 1000.0, "kg")
    check_range("gas_kg", gas_kg, 0.0, 1000.0, "kg")
    emissivity = data.emissivity if emissivity is None else emissivity
    check_range("emissivity", emissivity, 0.0, 1.0, "")
    content = _named(data.contents, "gas", gas)
    steel = data.materials["steel"]
    side_m2 = math.pi * diameter_m * height_m
    area_m2 = side_m2 + math.pi / 4.0 * diameter_m**2
    inner_m3 = max(0.25 * diameter_m * side_m2 - steel_kg / steel.density_kgm3, 1e-4)
    stored = _stored(content, gas_kg, gas_kg / inner_m3) if gas_kg > 0.0 else ((), ())
    coupling = data.liquid_coupling_wm2k if content.liquefied else data.gas_coupling_wm2k
    return Body(
        surfaces=(Surface(Face.VERTICAL_CYLINDER, area_m2, height_m, height_m / diameter_m),),
        area_m2=area_m2,
        emissivity=emissivity,
        shell_jk=steel_kg * steel.heat_capacity_jkgk,
        content_c=stored[0],
        content_j=stored[1],
        coupling_wk=coupling * side_m2 if gas_kg > 0.0 else 0.0,
        run_off_gm2=data.upright_run_off_gm2,
        internal_w=0.0,
        exchange_std_frac=data.exchange_std_frac,
        drift_kh=data.drift_kh,
        air_wander_kh=data.air_wander_kh,
        sky_doubt=data.sky_doubt,
    )


def plate_body(
    data: BodyData,
    *,
    thickness_m: float,
    width_m: float,
    length_m: float,
    faces: int = 2,
    stacked: int = 1,
    lying: bool | None = None,
    emissivity: float | None = None,
    material: str = "steel",
    edges: bool = True,
) -> Body:
    """A plate, or a stack of plates that breathes as one: both faces, or one on the floor or against a wall.

    Arguments:
        data: reference numbers.
        thickness_m: of one plate, m, a float, 0.0005 to 1.
        width_m: m, a float, 0.01 to 30.
        length_m: m, a float, 0.01 to 30.
        faces: how many faces meet the air, 1 or 2.
        stacked: how many plates lie on each other, 1 to 500.
        lying: flat (True) or on edge (False); None: flat with one face; with two, on its long edge for the
            air and flat for the water, which stays on it.
        emissivity: a float, 0 to 1; None: of mill scale, rust and paint, by the reference numbers.
        material: name of the material in the reference numbers.
        edges: whether the four edges meet the air; False: a slab without end, or steel packed edge to edge.
    Returns:
        the body; the gaps within a stack are left out (its inner plates lag 8 to 10 % more).
    Raises:
        RangeError: a number outside its range.
        InputError: a material that is not in the reference numbers.
    Reference:
        Lumped capacitance and its limit, Biot number 0.1 (volume over surface): Incropera et al., eqs. (5.6),
        (5.10). Beyond it the
        outer 18 % is the shell: surface and mean then differ by q L/(3 k) under a steady heat flux q, as in
        Carslaw and Jaeger, Conduction of Heat in Solids, 1959, section 3.8.
    """
    check_range("thickness_m", thickness_m, 0.0005, 1.0, "m")
    check_range("width_m", width_m, 0.01, 30.0, "m")
    check_range("length_m", length_m, 0.01, 30.0, "m")
    check_range("faces", faces, 1, 2, "")
    check_range("stacked", stacked, 1, 500, "plates")
    emissivity = data.emissivity if emissivity is None else emissivity
    check_range("emissivity", emissivity, 0.0, 1.0, "")
    metal = _named(data.materials, "material", material)
    face_m2 = width_m * length_m
    edge_m2 = 2.0 * (width_m + length_m) * thickness_m * stacked if edges else 0.0
    area_m2 = face_m2 * faces + edge_m2
    depth_m = face_m2 * thickness_m * stacked / area_m2
    thick = _MOST_ROOM_EXCHANGE_WM2K * depth_m / metal.conductivity_wmk > BIOT_LIMIT
    outer = _OUTER_SHARE if thick else 1.0
    heat_jk = face_m2 * thickness_m * stacked * metal.density_kgm3 * metal.heat_capacity_jkgk
    flat = faces == 1 if lying is None else lying
    if flat:
        span_m = face_m2 / (2.0 * (width_m + length_m))
        sides = (Face.FACING_UP, Face.FACING_DOWN)[:faces]
        surfaces = tuple(Surface(side, face_m2, span_m) for side in sides)
        surfaces = (*surfaces, Surface(Face.VERTICAL_PLATE, edge_m2, thickness_m * stacked))
    else:
        surfaces = (Surface(Face.VERTICAL_PLATE, area_m2, min(width_m, length_m)),)
    return Body(
        surfaces=surfaces,
        area_m2=area_m2,
        emissivity=emissivity,
        shell_jk=outer * heat_jk,
        content_c=(-100.0, 200.0) if thick else (),
        content_j=(0.0, 300.0 * (1.0 - outer) * heat_jk) if thick else (),
        coupling_wk=area_m2 * metal.conductivity_wmk / (0.5 * depth_m) if thick else 0.0,
        run_off_gm2=data.upright_run_off_gm2 if lying is False else data.flat_run_off_gm2,
        internal_w=0.0,
        exchange_std_frac=data.exchange_std_frac,
        drift_kh=data.drift_kh,
        air_wander_kh=data.air_wander_kh,
        sky_doubt=data.sky_doubt,
    )


def _table(tables: Mapping[str, Any], *path: str) -> Mapping[str, Any]:
    found: Any = tables
    for name in path:
        found = found.get(name) if isinstance(found, Mapping) else None
    if not isinstance(found, Mapping):
        raise _fault(path, found, "restore this table")
    return found


def _number(tables: Mapping[str, Any], *path: str) -> float:
    value = _table(tables, *path).get("value")
    if isinstance(value, bool) or not isinstance(value, (int, float)) or value < 0.0:
        raise _fault((*path, "value"), value, "write a number that is not negative")
    return float(value)


def _row(values: object, length: int | None, *path: str) -> tuple[float, ...]:
    if not isinstance(values, list) or not all(isinstance(value, (int, float)) for value in values):
        raise _fault(path, values, "write a list of numbers")
    if length not in (None, len(values)):
        raise _fault(path, f"{len(values)} numbers", f"write {length}, as many as temperatures")
    return tuple(float(value) for value in values)


def _fault(path: tuple[str, ...], found: object, fix: str) -> InputError:
    return InputError([Fault(f"bodies.toml {'.'.join(path)}", repr(found), fix)])


def _cylinder(tables: Mapping[str, Any], name: str) -> Mapping[str, float]:
    known = ("diameter_m", "height_m", "steel_kg", "gas_kg")
    row = _table(tables, "cylinders", name)
    unknown = sorted(set(row) - set(known))
    if unknown:
        raise _fault(("cylinders", name, unknown[0]), row[unknown[0]], f"use one of: {', '.join(known)}")
    return {field: _number(tables, "cylinders", name, field) for field in row}


def _material(tables: Mapping[str, Any], name: str) -> Material:
    fields = ("density_kgm3", "heat_capacity_jkgk", "conductivity_wmk")
    return Material(*(_number(tables, "materials", name, field) for field in fields))


def _content(tables: Mapping[str, Any], name: str) -> Content:
    path = ("contents", name)
    row = _table(tables, *path)
    if not row.get("liquefied", False):
        per_kelvin = _number(tables, *path, "heat_capacity_jkgk")
        return Content((-100.0, 200.0), (1.0,), ((0.0, 300.0 * per_kelvin),), liquefied=False)
    temperatures = _row(row.get("temperature_c"), None, *path, "temperature_c")
    densities = _row(row.get("density_kgm3"), None, *path, "density_kgm3")
    field = (*path, "internal_energy_kjkg")
    rows = row.get("internal_energy_kjkg")
    if not isinstance(rows, list) or len(rows) != len(densities):
        raise _fault(field, rows, "write one row per density")
    energy = tuple(tuple(1000.0 * kj for kj in _row(each, len(temperatures), *field)) for each in rows)
    return Content(temperatures, densities, energy, liquefied=True)


def _stored(
    content: Content, mass_kg: float, density_kgm3: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """The content's stored heat over temperature, J, at its mean density (clamped to the table)."""
    densities = content.densities_kgm3
    if len(densities) == 1:
        return content.temperatures_c, tuple(mass_kg * value for value in content.energy_jkg[0])
    density = min(max(density_kgm3, densities[0]), densities[-1])
    index = min(max(bisect_right(densities, density) - 1, 0), len(densities) - 2)
    # by volume, in which the energy of liquid and vapour together is linear
    share = (1.0 / densities[index] - 1.0 / density) / (1.0 / densities[index] - 1.0 / densities[index + 1])
    pairs = zip(content.energy_jkg[index], content.energy_jkg[index + 1], strict=True)
    return content.temperatures_c, tuple(mass_kg * (low + share * (high - low)) for low, high in pairs)


def _named(table: Mapping[str, _T], field: str, name: str) -> _T:
    if name not in table:
        raise InputError([Fault(field, repr(name), f"use one of {', '.join(sorted(table))}")])
    return table[name]
