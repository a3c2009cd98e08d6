"""Nanoseconds a point for dew point, wet bulb and others against libraries, and how far apart they are.

python tests/bench/moist_air_bench.py [--points 100000] [--rounds 30]

The baseline is a plain numpy dew point: Hyland and Wexler's equation with Newton's steps. Libraries that work
a number at a time are timed on fewer points. MetPy takes part where it is installed.
"""

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from time import perf_counter
from typing import Any

import numpy as np
import psychrolib
from CoolProp.HumidAirProp import HAPropsSI
from numpy.typing import NDArray

from monitor.physics import gas_moisture, moist_air, saturation, uncertainty
from monitor.physics.shielding_gas import ARGON
from tests.physics.oracles_air import enhancement_factor
from tests.physics.oracles_gas import throttled_c

try:
    import metpy.calc as metpy_calc
    from metpy.units import units as metpy_units
except ImportError:
    metpy_calc = None

Array = NDArray[np.float64]
SEA_PA = 101325.0
FEW = 2_000


@dataclass
class Line:
    what: str
    ns: float
    worst_k: float | None


def plain_pressure_pa(kelvin: Array) -> Array:
    ln = -5.8002206e3 / kelvin + 1.3914993 - 4.8640239e-2 * kelvin + 4.1764768e-5 * kelvin**2
    return np.exp(ln - 1.4452093e-8 * kelvin**3 + 6.5459673 * np.log(kelvin))


def plain_dew_c(celsius: Array, humidity: Array) -> Array:
    """What one writes first: Magnus for a start, Newton to 1e-4 K on every point."""
    ln_target = np.log(humidity * plain_pressure_pa(celsius + 273.15))
    magnus = np.log(humidity) + 17.62 * celsius / (243.12 + celsius)
    dew = 243.12 * magnus / (17.62 - magnus) + 273.15
    for _ in range(10):
        slope = (
            5.8002206e3 / dew**2 - 4.8640239e-2 + 8.3529536e-5 * dew - 4.3356279e-8 * dew**2 + 6.5459673 / dew
        )
        step = (np.log(plain_pressure_pa(dew)) - ln_target) / slope
        dew = dew - step
        if np.abs(step).max() < 1e-4:
            break
    return dew - 273.15


def best_ns(call: Callable[[], Any], points: int, rounds: int) -> float:
    best = float("inf")
    for _ in range(rounds):
        start = perf_counter()
        call()
        best = min(best, perf_counter() - start)
    return best / points * 1e9


def worst(found: Array, reference: Array) -> float:
    return float(np.nanmax(np.abs(found - reference)))


def one_by_one(call: Callable[[float, float], float], celsius: Array, humidity: Array) -> Array:
    found = np.full(len(celsius), np.nan)
    for i, (t, rh) in enumerate(zip(celsius.tolist(), humidity.tolist(), strict=True)):
        try:
            found[i] = call(t, rh)
        except ValueError:
            continue
    return found


def dew_points(celsius: Array, humidity: Array, rounds: int) -> list[Line]:
    points, few = len(celsius), slice(0, FEW)
    ours = saturation.dew_point_from_rh_c(celsius, humidity)
    plain = plain_dew_c(celsius, humidity)
    lines = [
        Line(
            "plain numpy, Hyland-Wexler and Newton",
            best_ns(lambda: plain_dew_c(celsius, humidity), points, rounds),
            0.0,
        ),
        Line(
            "this project",
            best_ns(lambda: saturation.dew_point_from_rh_c(celsius, humidity), points, rounds),
            worst(ours, plain),
        ),
    ]
    warm = (ours[few] > 0.1) & (celsius[few] > 0.1)
    t, rh, reference = celsius[few][warm], humidity[few][warm], plain[few][warm]

    def by_psychrolib() -> Array:
        return one_by_one(psychrolib.GetTDewPointFromRelHum, t, rh)

    def by_coolprop() -> Array:
        return one_by_one(lambda a, b: HAPropsSI("D", "T", a + 273.15, "P", SEA_PA, "R", b) - 273.15, t, rh)

    lines.append(
        Line(
            f"psychrolib {version('PsychroLib')} (above freezing)",
            best_ns(by_psychrolib, len(t), 1),
            worst(by_psychrolib(), reference),
        )
    )
    lines.append(
        Line(
            f"CoolProp {version('CoolProp')} (above freezing)",
            best_ns(by_coolprop, len(t), 1),
            worst(by_coolprop(), reference),
        )
    )
    if metpy_calc is not None:
        air, share = celsius * metpy_units.degC, humidity * metpy_units.dimensionless

        def by_metpy() -> Array:
            return np.asarray(metpy_calc.dewpoint_from_relative_humidity(air, share).to("degC").m)

        lines.append(
            Line(f"MetPy {version('MetPy')}", best_ns(by_metpy, points, 5), worst(by_metpy(), plain))
        )
    return lines


def wet_bulbs(celsius: Array, humidity: Array, rounds: int) -> list[Line]:
    points = len(celsius)
    ours = moist_air.wet_bulb_c(celsius, humidity, SEA_PA)
    warm = np.flatnonzero((ours > 0.5) & (celsius > 0.1))[: FEW // 4]
    t, rh, reference = celsius[warm], humidity[warm], ours[warm]

    def by_psychrolib() -> Array:
        return one_by_one(lambda a, b: psychrolib.GetTWetBulbFromRelHum(a, b, SEA_PA), t, rh)

    def by_coolprop() -> Array:
        return one_by_one(lambda a, b: HAPropsSI("B", "T", a + 273.15, "P", SEA_PA, "R", b) - 273.15, t, rh)

    return [
        Line(
            "this project",
            best_ns(lambda: moist_air.wet_bulb_c(celsius, humidity, SEA_PA), points, rounds),
            0.0,
        ),
        Line(
            "psychrolib (above freezing)",
            best_ns(by_psychrolib, len(t), 1),
            worst(by_psychrolib(), reference),
        ),
        Line("CoolProp (above freezing)", best_ns(by_coolprop, len(t), 1), worst(by_coolprop(), reference)),
    ]


def others(celsius: Array, humidity: Array, rounds: int) -> list[Line]:
    vapour = saturation.vapour_pressure_pa(celsius, humidity)
    ppmv = np.linspace(5.0, 300.0, 10_000)
    inlet = np.linspace(1.0e6, 2.0e7, 2_000)
    calls: list[tuple[str, int, Callable[[], Any]]] = [
        ("vapour pressure", len(celsius), lambda: saturation.vapour_pressure_pa(celsius, humidity)),
        ("frost point", len(celsius), lambda: saturation.frost_point_c(vapour)),
        ("enhancement factor", len(celsius), lambda: enhancement_factor(celsius, SEA_PA)),
        (
            "dew point uncertainty",
            len(celsius),
            lambda: uncertainty.dew_point_std_k(celsius, humidity, 0.2, 0.015),
        ),
        ("wet probability", len(celsius), lambda: uncertainty.wet_probability_frac(celsius, 0.5)),
        (
            "frost point at 100 bar",
            len(ppmv),
            lambda: gas_moisture.frost_point_from_ppmv_c(ppmv, 1.0e7, ARGON),
        ),
        (
            "regulator outlet, argon",
            len(inlet),
            lambda: throttled_c(np.full(len(inlet), 20.0), inlet, 4.0e5, ARGON),
        ),
        ("dew point, one float", 1, lambda: saturation.dew_point_from_rh_c(25.0, 0.8)),
        ("wet bulb, one float", 1, lambda: moist_air.wet_bulb_c(25.0, 0.8, SEA_PA)),
    ]
    return [
        Line(name, best_ns(call, points, rounds if points > 1 else 2000), None)
        for name, points, call in calls
    ]


def show(title: str, lines: list[Line]) -> None:
    print(f"\n{title}\n{'':44}{'ns/point':>12}{'ratio':>10}{'worst K':>10}")
    for line in lines:
        off = "" if line.worst_k is None else f"{line.worst_k:10.4f}"
        print(f"{line.what:44}{line.ns:12.1f}{line.ns / lines[0].ns:10.2f}{off}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--points", type=int, default=100_000)
    parser.add_argument("--rounds", type=int, default=30)
    options = parser.parse_args()
    psychrolib.SetUnitSystem(psychrolib.SI)
    rng = np.random.default_rng(1)
    celsius, humidity = rng.uniform(-40.0, 60.0, options.points), rng.uniform(0.01, 1.0, options.points)
    show(
        f"Dew point from temperature and humidity, {options.points} points",
        dew_points(celsius, humidity, options.rounds),
    )
    show("Wet bulb", wet_bulbs(celsius, humidity, options.rounds))
    show("Others, this project alone", others(celsius, humidity, options.rounds))


if __name__ == "__main__":
    main()
