"""Bodies that lag, against a trajectory worked out without this project's code.

The reference integrates skin, content and film with scipy's stiff solver in terms of *heat* (so that melting
needs no special case), takes convection from `ht`, air from CoolProp, saturation from CoolProp (water) and
IAPWS R14-08 (ice), the diffusivity of vapour from Massman 1998 and the radiation to the fourth power.
"""

import math
from dataclasses import dataclass
from functools import cache

import ht
import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from scipy.integrate import solve_ivp

from monitor.physics.bodies import Body, BodyData, body_data, cylinder_body, plate_body
from monitor.physics.convection import Face
from monitor.physics.lag import advance, start_state, trajectory
from monitor.settings.reference import load_toml
from tests.physics.oracles_heat import held_air, if_brought_in

KELVIN = 273.15
SUBLIMATION_JG = 2834.3
_GRID_K = np.arange(203.0, 374.0, 1.0)


@pytest.fixture(scope="module")
def data() -> BodyData:
    return body_data(load_toml("bodies.toml"))


def test_the_cylinder_of_set_up_a_clears_when_the_independent_computation_says(data, record_check):
    """Set-up A: 22 degC, 60 %RH, still air, 0.23 x 1.30 m, 60 kg steel, 10 kg argon, from -5 degC.

    Figures worked out once with ht 1.2, CoolProp 8.0 and scipy, body as one lump.
    """
    body = _argon_cylinder(data)
    answer = if_brought_in(body, -5.0, held_air(0.0, 22.0, 0.6))
    source = "independent computation, set-up A"
    pairs = [(answer.dew_point.hours, 1.00), (answer.margin.hours, 1.64), (answer.dry.hours, 3.1)]
    worst = max(abs(ours - theirs) / theirs for ours, theirs in pairs)
    record_check("hours until clear, cylinder", worst=100 * worst, bound=3.0, unit="%", source=source)
    peak = abs(answer.peak_film_gm2 - 52.0)
    record_check("peak film, cylinder", worst=peak, bound=2.0, unit="g/m2", source=source)
    times = np.array([0.25, 0.5, 0.75, 1.0, 1.5]) * 3600.0
    path = trajectory(body, start_state(body, 0.0, -5.0), times, np.full(5, 22.0), np.full(5, 0.6))
    worst = np.abs(path.skin_c[1:] - [2.98, 8.19, 11.62, 13.90, 16.46]).max()
    record_check("skin temperature, cylinder", worst=float(worst), bound=0.1, unit="K", source=source)


def test_the_plate_of_set_up_b_clears_when_the_independent_computation_says(data, record_check):
    """Set-up B: 12 mm, 2 x 1 m, upright, both faces, from -5 degC into the air of set-up A."""
    body = plate_body(data, thickness_m=0.012, width_m=1.0, length_m=2.0, edges=False)
    answer = if_brought_in(body, -5.0, held_air(0.0, 22.0, 0.6))
    pairs = [(answer.dew_point.hours, 0.70), (answer.margin.hours, 1.14), (answer.dry.hours, 2.3)]
    worst = max(abs(ours - theirs) / theirs for ours, theirs in pairs)
    record_check(
        "hours until clear, plate",
        worst=100 * worst,
        bound=5.0,
        unit="%",
        source="independent computation, set-up B",
    )


@dataclass(frozen=True)
class Case:
    name: str
    start_c: float
    air_c: float
    humidity: float
    draught_ms: float = 0.0
    pressure_pa: float = 101_325.0


CYLINDER_CASES = [
    Case("from the yard", -5, 22, 0.6),
    Case("deep frost", -20, 20, 0.5),
    Case("tropical", 15, 33, 0.9),
    Case("dry air", -5, 22, 0.2),
    Case("near saturation", 5, 18, 0.95),
    Case("body warmer than air", 40, 15, 0.7),
    Case("frost stays", -18, -6, 0.9),
    Case("thaw", -10, 3, 0.85),
    Case("draught", 0, 25, 0.6, 0.5),
    Case("high ground", -5, 22, 0.6, 0.0, 80_000),
]


@pytest.mark.parametrize("case", CYLINDER_CASES, ids=lambda case: case.name)
@pytest.mark.parametrize("kind", ["argon", "co2", "plate 6", "plate 50", "floor", "lying", "stack"])
def test_the_skin_follows_the_stiff_solver_within_a_tenth_of_a_degree(case, kind, data, record_check):
    body = _body(data, kind)
    times = np.arange(0.0, 8 * 3600.0 + 1, 300.0)
    air = np.full(times.size, case.air_c)
    humidity = np.full(times.size, case.humidity)
    _compare(body, case, (times, air, humidity), record_check, "constant air")


@pytest.mark.parametrize("kind", ["argon", "co2", "plate 6", "plate 50", "floor", "lying", "stack"])
@pytest.mark.parametrize("spacing_s", [20.0, 600.0, 3600.0])
def test_uneven_and_changing_air_is_followed_as_well(kind, spacing_s, data, record_check):
    """A day of shop air with a door opened twice; samples at uneven times, joined straight by both sides."""
    body = _body(data, kind)
    steps = np.random.default_rng(7).uniform(0.2, 1.8, int(86_400 / spacing_s)) * spacing_s
    times = np.concatenate([[0.0], np.cumsum(steps)])
    day = 2 * np.pi * times / 86_400
    air = 9.0 + 8.0 * np.sin(day) + np.where((times % 43_200) < 5400, -6.0, 0.0)
    humidity = np.clip(0.75 - 0.25 * np.sin(day + 1.0), 0.2, 0.98)
    case = Case("changing", -8, float(air[0]), float(humidity[0]), 0.1)
    _compare(body, case, (times, air, humidity), record_check, "changing air")


@pytest.mark.parametrize("kind", ["argon", "co2", "plate 6", "floor", "lying"])
@pytest.mark.parametrize("colder_k", [9.0, 4.0])
def test_air_told_every_few_seconds_is_met_in_one_step_a_tick_as_well(kind, colder_k, data, record_check):
    """Ten sensors that differ, a door's cold breath, damp from a kettle; bodies are carried every 10 s."""
    body = _body(data, kind)
    rng = np.random.default_rng(11)
    times = np.concatenate([[0.0], np.cumsum(rng.uniform(0.5, 5.5, 300))])
    air = 18.0 + rng.normal(0.0, 0.1, times.size) - np.where((times > 200) & (times < 330), 5.0, 0.0)
    humidity = 0.72 + rng.normal(0.0, 0.01, times.size) + np.where((times > 500) & (times < 560), 0.2, 0.0)
    state = start_state(body, 0.0, air[0] - colder_k)
    skin, film = _reference(body, Case("ticks", state.skin_c, air[0], 0.0, 0.1), times, air, humidity)
    done, worst_k, worst_gm2 = 1, 0.0, 0.0
    state = advance(body, state, times[:1], air[:1], humidity[:1], draught_ms=0.1)
    for end_s in np.arange(10.0, times[-1], 10.0):
        heard = int(np.searchsorted(times, end_s))
        if heard > done:
            # the sample before says what the air was at the state's own time
            now = slice(done - 1, heard)
            state = advance(body, state, times[now], air[now], humidity[now], draught_ms=0.1)
            worst_k = max(worst_k, abs(state.skin_c - skin[heard - 1]))
            worst_gm2 = max(worst_gm2, abs(state.film_gm2 - film[heard - 1]))
            done = heard
    source = "scipy LSODA with ht, CoolProp and IAPWS R14-08"
    record_check("skin temperature, air of seconds", worst=worst_k, bound=0.05, unit="K", source=source)
    record_check("film, air of seconds", worst=worst_gm2, bound=1.0, unit="g/m2", source=source)


def _compare(body: Body, case: Case, air, record_check, what: str) -> None:
    times, temperature, humidity = air
    path = trajectory(
        body,
        start_state(body, 0.0, case.start_c),
        times,
        temperature,
        humidity,
        pressure_pa=case.pressure_pa,
        draught_ms=case.draught_ms,
    )
    skin, film = _reference(body, case, times, temperature, humidity)
    source = "scipy LSODA with ht, CoolProp and IAPWS R14-08"
    worst = float(np.abs(path.skin_c - skin).max())
    record_check(f"skin temperature, {what}", worst=worst, bound=0.1, unit="K", source=source)
    worst = float(np.abs(path.film_gm2 - film).max())
    record_check(f"film, {what}", worst=worst, bound=3.0, unit="g/m2", source=source)


def _argon_cylinder(data: BodyData) -> Body:
    return cylinder_body(data, "argon", diameter_m=0.23, height_m=1.3, steel_kg=60.0, gas_kg=10.0)


def _body(data: BodyData, kind: str) -> Body:
    plate = {"width_m": 1.0, "length_m": 2.0}
    return {
        "argon": lambda: _argon_cylinder(data),
        "co2": lambda: cylinder_body(data, "co2", diameter_m=0.216, height_m=1.3, steel_kg=51.0, gas_kg=22.7),
        "plate 6": lambda: plate_body(data, thickness_m=0.006, **plate),
        "plate 50": lambda: plate_body(data, thickness_m=0.05, **plate, emissivity=0.3),
        "floor": lambda: plate_body(data, thickness_m=0.02, faces=1, **plate),
        "lying": lambda: plate_body(data, thickness_m=0.01, lying=True, **plate),
        "stack": lambda: plate_body(data, thickness_m=0.012, stacked=5, **plate),
    }[kind]()


@cache
def _saturation_table() -> np.ndarray:
    return np.log([_saturation(kelvin) for kelvin in _SATURATION_K])


_SATURATION_K = np.arange(203.15, 374.0, 0.25)


def _saturation(kelvin: float) -> float:
    if kelvin >= 273.16:
        return PropsSI("P", "T", kelvin, "Q", 0, "Water")
    theta = kelvin / 273.16
    a = (-0.212144006e2, 0.273203819e2, -0.610598130e1)
    b = (0.333333333e-2, 0.120666667e1, 0.170333333e1)
    return 611.657 * math.exp(sum(x * theta**y for x, y in zip(a, b, strict=True)) / theta)


def _surface_pa(kelvin: float) -> float:
    return math.exp(np.interp(kelvin, _SATURATION_K, _saturation_table()))


def _air_pa(kelvin: float, humidity: float) -> float:
    """Over supercooled water below freezing: Murphy and Koop 2005, eq. (10)."""
    t = kelvin
    ln = (
        54.842763
        - 6763.22 / t
        - 4.210 * math.log(t)
        + 0.000367 * t
        + math.tanh(0.0415 * (t - 218.8)) * (53.878 - 1331.22 / t - 9.44523 * math.log(t) + 0.014025 * t)
    )
    return humidity * math.exp(ln)


@cache
def _air_table(pressure_pa: float) -> dict[str, np.ndarray]:
    names = ("L", "V", "D", "C")
    return {
        name: np.array([PropsSI(name, "T", t, "P", pressure_pa, "Air") for t in _GRID_K]) for name in names
    }


def _properties(kelvin: float, pressure_pa: float) -> tuple[float, float, float, float]:
    table = _air_table(pressure_pa)
    place = kelvin - _GRID_K[0]
    index = int(place)
    share = place - index
    return tuple(row[index] + share * (row[index + 1] - row[index]) for row in table.values())


def _convection(body: Body, skin_k: float, air_k: float, case: Case) -> tuple[float, float]:
    """Mean coefficient, and the coefficient of vapour transfer in m/s."""
    film_k = 0.5 * (skin_k + air_k)
    conductivity, viscosity, density, heat_capacity = _properties(film_k, case.pressure_pa)
    nu, prandtl = viscosity / density, heat_capacity * viscosity / conductivity
    total = 0.0
    for surface in body.surfaces:
        length = surface.length_m
        grashof = 9.80665 / film_k * abs(skin_k - air_k) * length**3 / nu**2
        free = _nusselt(surface, grashof, prandtl, skin_k < air_k) * conductivity / length
        forced = 0.0
        if case.draught_ms:
            across = length / surface.slenderness if surface.slenderness else length
            reynolds = case.draught_ms * across / nu
            if surface.face is Face.VERTICAL_CYLINDER:
                nusselt = ht.Nu_cylinder_Churchill_Bernstein(reynolds, prandtl)
            else:
                nusselt = ht.Nu_horizontal_plate_laminar_Baehr(reynolds, prandtl)
            forced = nusselt * conductivity / across
        total += surface.area_m2 * (free**3 + forced**3) ** (1 / 3)
    mean = total / body.area_m2
    diffusivity = 2.178e-5 * (film_k / KELVIN) ** 1.81 * 101_325 / case.pressure_pa
    lewis = conductivity / (density * heat_capacity) / diffusivity
    return mean, mean / (density * heat_capacity * lewis ** (2 / 3))


def _nusselt(surface, grashof: float, prandtl: float, colder: bool) -> float:
    if surface.face is Face.VERTICAL_CYLINDER:
        diameter = surface.length_m / surface.slenderness
        return ht.Nu_vertical_cylinder_Popiel_Churchill(
            prandtl, max(grashof, 1e-2), L=surface.length_m, D=diameter
        )
    if surface.face is Face.VERTICAL_PLATE:
        return ht.Nu_vertical_plate_Churchill(prandtl, grashof)
    if colder == (surface.face is Face.FACING_DOWN):
        rayleigh = grashof * prandtl
        return max(0.54 * rayleigh**0.25, 0.15 * rayleigh ** (1 / 3))
    return 0.27 * (grashof * prandtl) ** 0.25


def _reference(body: Body, case: Case, times, temperature, humidity) -> tuple[np.ndarray, np.ndarray]:
    """Skin and film at the given times; heat of skin and content per square metre, film in g/m2."""
    vapour = np.array([_air_pa(t + KELVIN, rh) for t, rh in zip(temperature, humidity, strict=True)])
    shell = body.shell_jk / body.area_m2
    coupling = body.coupling_wk / body.area_m2
    stored = np.array(body.content_j) / body.area_m2

    def skin_of(heat: float, film: float) -> float:
        molten = 333.4 * film
        if heat <= 0.0:
            return heat / shell
        return max(heat - molten, 0.0) / shell

    def rates(time: float, state: np.ndarray) -> list[float]:
        heat, inner, film = state
        film = max(film, 0.0)
        air_k = np.interp(time, times, temperature) + KELVIN
        vapour_pa = np.interp(time, times, vapour)
        skin = skin_of(heat, film)
        skin_k = skin + KELVIN
        mean, transfer = _convection(body, skin_k, air_k, case)
        radiant = body.emissivity * 5.670374419e-8 * (air_k**4 - skin_k**4)
        film_k = 0.5 * (skin_k + air_k)
        gap_pa = vapour_pa - _surface_pa(skin_k)
        drift = 1.0 - 0.5 * (vapour_pa + _surface_pa(skin_k)) / case.pressure_pa
        arriving = 1000.0 * transfer * gap_pa / (461.52 * film_k) / drift
        if arriving < 0.0:
            arriving *= min(1.0, film / 0.05)
        latent = SUBLIMATION_JG if skin < 0.0 else 2500.9 - 2.372 * skin + 333.4
        across = 0.0
        if len(stored):
            across = coupling * (np.interp(inner, stored, body.content_c) - skin)
        heat_in = mean * (air_k - skin_k) + radiant + arriving * latent + across
        if arriving > 0.0 and skin > 0.0 and film >= body.run_off_gm2:
            return [heat_in - 333.4 * arriving, -across, 0.0]
        return [heat_in, -across, arriving]

    inner = float(np.interp(case.start_c, body.content_c, stored)) if len(stored) else 0.0
    start = [shell * case.start_c, inner, 0.0]
    knots = times if np.ptp(temperature) else times[[0, -1]]
    solution = solve_ivp(
        rates,
        (times[0], times[-1]),
        start,
        method="LSODA",
        t_eval=times,
        rtol=1e-6,
        atol=[10.0, 10.0, 1e-3],
        max_step=max(float(np.diff(knots).min()), 120.0),
    )
    heat, _, film = solution.y
    return np.array([skin_of(h, max(f, 0.0)) for h, f in zip(heat, film, strict=True)]), np.maximum(film, 0.0)
