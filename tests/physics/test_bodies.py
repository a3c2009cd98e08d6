"""What bodies are made of: against the trade's time constants, CoolProp and the series for a slab."""

import math
from copy import deepcopy

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from scipy.optimize import brentq

from monitor.model.errors import InputError, RangeError
from monitor.model.thing import Cylinder
from monitor.physics.bodies import Body, BodyData, body_data, cylinder_body, plate_body
from monitor.physics.exchange import exchange, surroundings
from monitor.physics.lag import start_state, trajectory
from monitor.settings.reference import load_toml
from tests.physics.oracles_heat import regulator_body


@pytest.fixture(scope="module")
def data() -> BodyData:
    return body_data(load_toml("bodies.toml"))


def _plate(data: BodyData, thickness_m: float, **more) -> Body:
    return plate_body(data, thickness_m=thickness_m, width_m=1.0, length_m=2.0, **more)


@pytest.mark.parametrize(("thickness_m", "minutes"), [(0.006, 19), (0.012, 38), (0.025, 78), (0.050, 157)])
def test_plates_lag_as_the_trade_reckons(thickness_m, minutes, data, record_check):
    """Time constant rho c L/h at 10 W/m2K with 480 J/kgK (here 470), both faces; the lead's rule of thumb."""
    body = _plate(data, thickness_m, edges=False)
    tau_min = body.shell_jk / (10.0 * body.area_m2) / 60.0
    record_check(
        "time constant of a plate",
        worst=100 * abs(tau_min / minutes - 1),
        bound=4,
        unit="%",
        source="lumped capacitance, 6 to 50 mm plate at 10 W/m2K",
    )


def test_cylinders_lag_as_the_trade_reckons(data):
    """61 min for 60 kg of steel at 8 W/m2K; 3 to 4 hours for a 50 lb bottle of carbon dioxide."""
    steel = cylinder_body(data, "argon", diameter_m=0.23, height_m=1.3, steel_kg=60.0, gas_kg=0.0)
    assert steel.shell_jk / (8.0 * steel.area_m2) / 60.0 == pytest.approx(61, rel=0.03)
    full = _co2(data)
    heat_jk = full.shell_jk + full.content_jk(0.0, 20.0)
    assert 3.0 < heat_jk / (8.0 * full.area_m2) / 3600.0 < 4.0


@pytest.mark.parametrize(
    ("stacked", "faces", "late_frac"), [(1, 2, 1.03), (20, 2, 1.60), (20, 1, 2.20), (40, 1, 3.40)]
)
def test_the_edges_of_a_stack_meet_the_air_too(stacked, faces, late_frac, data, record_check):
    """Characteristic length volume over all of the surface: Incropera et al., below eq. (5.10).

    20 plates of 20 mm, 2 x 1 m: edges 2 (2 + 1) 0.4 = 2.4 m2 beside 4 m2 of faces, so without them a time
    constant of 160 % of the true one.
    """
    body = _plate(data, 0.02, stacked=stacked, faces=faces)
    edge_m2 = 2.0 * (1.0 + 2.0) * 0.02 * stacked
    by_hand_m2 = 2.0 * faces + edge_m2
    assert by_hand_m2 / (2.0 * faces) == pytest.approx(late_frac)
    worst = abs(body.area_m2 / by_hand_m2 - 1.0)
    record_check("surface of a stack", worst=100 * worst, bound=0.1, unit="%", source="geometry, by hand")
    steel = data.materials["steel"]
    heat_jk = 2.0 * 0.02 * stacked * steel.density_kgm3 * steel.heat_capacity_jkgk
    assert body.shell_jk + body.content_jk(0.0, 20.0) == pytest.approx(heat_jk)
    assert sum(surface.area_m2 for surface in body.surfaces) == pytest.approx(body.area_m2)


def test_a_stack_with_its_edges_follows_a_step_as_a_block_in_three_directions(data, record_check):
    """The product of three slab series (Incropera et al., section 5.8), at the coefficient the body meets."""
    body = _plate(data, 0.02, stacked=20)
    start = start_state(body, 0.0, 0.0)
    times = np.arange(1, 97) * 900.0
    path = trajectory(body, start, times, np.full(96, 20.0), np.zeros(96))
    around = surroundings(body, 20.0, 101_325.0, 0.0)
    now = exchange(body, 10.0, (20.0, 0.0), around, wet=False)
    coefficient = now.convective_wm2k + now.radiative_wm2k
    steel = data.materials["steel"]
    diffusivity = steel.conductivity_wmk / steel.density_kgm3 / steel.heat_capacity_jkgk
    left = 1.0
    for half in (0.2, 0.5, 1.0):
        biot = coefficient * half / steel.conductivity_wmk
        zeta = brentq(lambda z, biot=biot: z * math.tan(z) - biot, 1e-6, 1.57)
        share = 2.0 * math.sin(zeta) ** 2 / (zeta * (zeta + math.sin(zeta) * math.cos(zeta)))
        left *= share * np.exp(-(zeta**2) * diffusivity * path.time_s / half**2)
    mean = _mean(body, path)
    worst = float(np.abs(mean - 20.0 * (1.0 - left))[4:].max())
    record_check("mean of a stack", worst=worst, bound=1.0, unit="K", source="three slab series, 20 K step")


def test_one_face_doubles_the_time_and_a_stack_counts_as_its_whole_thickness(data):
    single = _plate(data, 0.01, edges=False)
    assert _plate(data, 0.01, faces=1, edges=False).area_m2 == 0.5 * single.area_m2
    assert _plate(data, 0.01, stacked=4).shell_jk == pytest.approx(_plate(data, 0.04).shell_jk)


def test_a_real_plate_closes_63_percent_of_a_step_within_the_trades_range(data):
    """12 mm, both faces: 38 min at 10 W/m2K, 63 min at 6 W/m2K; dry air, so no latent heat."""
    body = _plate(data, 0.012)
    times = np.arange(60.0, 3 * 3600, 60.0)
    path = trajectory(
        body, start_state(body, 0.0, 2.0), times, np.full(times.size, 22.0), np.zeros(times.size)
    )
    minutes = np.interp(2.0 + 20.0 * (1 - math.exp(-1)), path.skin_c, path.time_s) / 60.0
    assert 38 < minutes < 63


def _co2(data: BodyData, gas_kg: float = 22.7) -> Body:
    return cylinder_body(data, "co2", diameter_m=0.216, height_m=1.3, steel_kg=51.0, gas_kg=gas_kg)


@pytest.mark.parametrize("gas_kg", [4.0, 10.0, 22.7, 28.0])
def test_carbon_dioxide_stores_what_the_reference_equation_says(gas_kg, data, record_check):
    body = _co2(data, gas_kg)
    inner_m3 = 0.25 * math.pi * 0.216**2 * 1.3 - 51.0 / 7850.0
    density = gas_kg / inner_m3
    energy = {
        c: PropsSI("U", "T", c + 273.15, "D", density, "CO2") for c in (-40, -20, -5, 0, 10, 20, 30, 40, 50)
    }
    worst = 0.0
    for low, high in [(-40, -20), (-20, 0), (-5, 20), (0, 20), (10, 30), (20, 40), (40, 50)]:
        theirs = gas_kg * (energy[high] - energy[low])
        ours = body.content_jk(low, high) * (high - low)
        worst = max(worst, abs(ours - theirs) / (body.shell_jk * (high - low) + theirs))
    source = "CoolProp, carbon dioxide (Span and Wagner 1996)"
    record_check("heat of a CO2 cylinder", worst=100 * worst, bound=3, unit="%", source=source)


@pytest.mark.parametrize(
    ("gas", "fluid", "gas_kg"),
    [
        ("argon", "Argon", 10.0),
        ("oxygen", "Oxygen", 10.0),
        ("nitrogen", "Nitrogen", 8.0),
        ("helium", "Helium", 1.2),
    ],
)
def test_permanent_gases_add_what_the_reference_equation_says(gas, fluid, gas_kg, data, record_check):
    body = cylinder_body(data, gas, diameter_m=0.23, height_m=1.46, steel_kg=60.0, gas_kg=gas_kg)
    inner_m3 = 0.25 * math.pi * 0.23**2 * 1.46 - 60.0 / 7850.0
    theirs = gas_kg * PropsSI("Cvmass", "T", 288.15, "D", gas_kg / inner_m3, fluid)
    worst = abs(body.content_jk(0.0, 20.0) - theirs) / (body.shell_jk + theirs)
    record_check(
        "heat of a gas cylinder",
        worst=100 * worst,
        bound=1.5,
        unit="%",
        source="CoolProp, at the mean density",
    )


@pytest.mark.parametrize("total_m", [0.95, 1.5, 2.5])
def test_a_very_thick_stack_warms_at_its_surface_as_a_slab_does(total_m, data, record_check):
    """Fourier series for a slab with both faces in air (Incropera et al., eqs. (5.42), (5.43)), constant h.

    A strong wind makes the coefficient constant; compared once the slab's own time L2/alpha x 0.15 is over.
    """
    body = _plate(data, total_m / 20, stacked=20, emissivity=0.001, edges=False)
    steel = data.materials["steel"]
    diffusivity = steel.conductivity_wmk / steel.density_kgm3 / steel.heat_capacity_jkgk
    half = total_m / 2
    times = np.arange(1, 200) * half**2 / diffusivity / 50
    air, dry = np.full(times.size, 30.0), np.zeros(times.size)
    path = trajectory(body, start_state(body, 0.0, 0.0), times, air, dry, draught_ms=3.0)
    from_slope = -np.diff(np.log(30.0 - _mean(body, path)[-3:])).mean() / np.diff(times).mean()
    biot = _biot_of(from_slope * half**2 / diffusivity)
    surface = 30.0 * (1 - _slab_surface(biot, path.time_s * diffusivity / half**2))
    settled = path.time_s * diffusivity / half**2 > 0.15
    worst = float(np.abs(path.skin_c - surface)[settled].max())
    record_check(
        "surface of a very thick stack",
        worst=worst,
        bound=0.6,
        unit="K",
        source="Fourier series of a slab, 30 K step",
    )


def _mean(body: Body, path) -> np.ndarray:
    core = body.content_jk(0.0, 10.0)
    return (body.shell_jk * path.skin_c + core * path.content_c) / (body.shell_jk + core)


def _biot_of(slowest: float) -> float:
    root = math.sqrt(slowest)
    return root * math.tan(root)


def _slab_surface(biot: float, fourier: np.ndarray) -> np.ndarray:
    total = np.zeros_like(fourier)
    for n in range(30):
        root = brentq(lambda z: z * math.sin(z) - biot * math.cos(z), n * math.pi + 1e-9, (n + 0.5) * math.pi)
        factor = 4 * math.sin(root) / (2 * root + math.sin(2 * root))
        total += factor * np.exp(-(root**2) * fourier) * math.cos(root)
    return total


def test_a_throttling_regulator_settles_below_the_room(data):
    body = regulator_body(data, mass_kg=1.5, cooling_w=4.0)
    times = np.arange(1, 13) * 900.0
    path = trajectory(body, start_state(body, 0.0, 20.0), times, np.full(12, 20.0), np.full(12, 0.5))
    assert np.all(np.diff(path.skin_c) <= 1e-6)
    assert -20.0 < path.skin_c[-1] < 18.0


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"diameter_m": 5.0}, "diameter_m"),
        ({"height_m": 0.0}, "height_m"),
        ({"steel_kg": -1.0}, "steel_kg"),
        ({"gas_kg": -1.0}, "gas_kg"),
        ({"emissivity": 1.5}, "emissivity"),
    ],
)
def test_an_impossible_cylinder_is_refused_by_name(change, field, data):
    usual = {"diameter_m": 0.23, "height_m": 1.3, "steel_kg": 60.0, "gas_kg": 10.0}
    with pytest.raises(RangeError) as refused:
        cylinder_body(data, "argon", **usual | change)
    assert refused.value.name == field


def test_an_unknown_gas_or_material_is_refused_with_the_known_ones(data):
    with pytest.raises(InputError, match="use one of argon, argon-co2, argon-co2-25, argon-co2-8, co2"):
        cylinder_body(data, "xenon", diameter_m=0.23, height_m=1.3, steel_kg=60.0, gas_kg=10.0)
    with pytest.raises(InputError, match="use one of brass, steel"):
        _plate(data, 0.01, material="oak")


def _broken(path: tuple[str, ...], value: object) -> dict:
    tables = deepcopy(load_toml("bodies.toml"))
    inner = tables
    for name in path[:-1]:
        inner = inner[name]
    inner[path[-1]] = value
    return tables


@pytest.mark.parametrize(
    ("path", "value", "named"),
    [
        (("run_off",), None, "run_off"),
        (("run_off", "flat_gm2", "value"), "much", "run_off.flat_gm2.value: found 'much'"),
        (("coupling", "gas_wm2k", "value"), -1, "coupling.gas_wm2k.value: found -1"),
        (("materials", "steel", "density_kgm3"), 7850, "materials.steel.density_kgm3"),
        (("cylinders", "co2", "gas_kg", "value"), "full", "cylinders.co2.gas_kg.value: found 'full'"),
        (("cylinders", "helium", "colour"), {"value": 1}, "cylinders.helium.colour"),
        (("contents", "co2", "temperature_c"), [1, "x"], "contents.co2.temperature_c"),
        (("contents", "co2", "internal_energy_kjkg"), [[1.0]], "contents.co2.internal_energy_kjkg"),
    ],
)
def test_a_fault_in_the_file_is_named(path, value, named):
    with pytest.raises(InputError) as refused:
        body_data(_broken(path, value))
    assert named in str(refused.value)


def test_the_settings_usual_cylinder_is_the_file_s(data):
    for field, value in data.cylinders["usual"].items():
        assert Cylinder.model_fields[field].default == value


def test_every_number_of_the_file_says_where_it_is_from():
    known = {"published", "common practice", "from memory", "derived", "our choice"}

    def check(name: str, table: dict) -> None:
        if "value" in table or "internal_energy_kjkg" in table:
            assert table["status"] in known, name
            assert table["source"], name
            return
        for key, inner in table.items():
            if isinstance(inner, dict):
                check(f"{name}.{key}", inner)

    check("bodies", load_toml("bodies.toml"))
