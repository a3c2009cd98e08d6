"""What it costs to follow the bodies of a shop: a tick, a clearing answer, a 48 h plan; beside a bare lump.

The baseline is one scalar lump with a constant coefficient, stepped by its closed form in plain Python: the
least a shop tool could do. Processor time. Run: python tests/bench/bodies_bench.py
"""

import math
import time
from collections.abc import Callable

import numpy as np

from monitor.physics.air_course import air_point
from monitor.physics.bodies import body_data, cylinder_body, plate_body
from monitor.physics.clearing import clearing, latest_arrival_s
from monitor.physics.lag import advance, advance_through, air_to_meet, start_state, trajectory
from monitor.physics.night_sky import ROOFED
from monitor.settings.reference import load_toml
from tests.physics.oracles_heat import held_air

BODIES = 60


def _best_s(work: Callable[[], object], repeats: int = 15) -> float:
    best = math.inf
    for _ in range(repeats):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return best


def _closed_form(steps: int) -> float:
    skin = -5.0
    for n in range(steps):
        air = 15.0 + 7.0 * math.sin(n * 0.01)
        skin = air + (skin - air) * math.exp(-300.0 / 3600.0)
    return skin


def main() -> None:
    """Prints the table."""
    data = body_data(load_toml("bodies.toml"))
    cylinder = cylinder_body(data, "argon", diameter_m=0.23, height_m=1.3, steel_kg=60.0, gas_kg=10.0)
    bottle = cylinder_body(data, "co2", diameter_m=0.216, height_m=1.3, steel_kg=51.0, gas_kg=22.7)
    plate = plate_body(data, thickness_m=0.012, width_m=1.0, length_m=2.0)
    shop = [(cylinder, bottle, plate)[n % 3] for n in range(BODIES)]
    states = [advance(body, start_state(body, 0.0, 5.0), [600.0], [18.0], [0.6]) for body in shop]
    rows: list[tuple[str, float, float]] = []

    def tick() -> None:
        for body, state in zip(shop, states, strict=True):
            advance(body, state, [610.0], [18.1], [0.61], draught_ms=0.1)

    def shared_tick() -> None:
        """As the core goes: the samples of one tick, made ready once for all that stand in the zone."""
        points = [air_point(600.0 + later_s, 18.0 + 0.01 * later_s, 0.6) for later_s in (2.0, 5.0, 7.0, 10.0)]
        met = air_to_meet(states[0], points, ROOFED, cylinder.sky_doubt)
        for body, state in zip(shop, states, strict=True):
            advance_through(body, state, met, (101_325.0, 0.1))

    one_step_s = _best_s(lambda: _closed_form(1000)) / 1000
    rows.append((f"a tick of {BODIES} bodies, each", _best_s(tick) / BODIES, one_step_s))
    rows.append(("of four samples in one zone, each", _best_s(shared_tick) / BODIES, one_step_s))
    for name, body in (("cylinder", cylinder), ("CO2 bottle", bottle), ("plate", plate)):
        state = start_state(body, 0.0, -5.0)
        air = held_air(0.0, 22.0, 0.6, draught_ms=0.1)
        rows.append(
            (f"times to clear, {name}", _best_s(lambda b=body, s=state, a=air: clearing(b, s, a)), one_step_s)
        )
        for minutes in (10, 5):
            times = np.arange(0.0, 48 * 3600 + 1, minutes * 60.0)
            warm = 15.0 + 7.0 * np.sin(times / 86_400 * 2 * np.pi)
            damp = np.clip(0.7 + 0.2 * np.cos(times / 86_400 * 2 * np.pi), 0, 1)
            spent = _best_s(
                lambda b=body, s=state, t=times, w=warm, d=damp: trajectory(b, s, t, w, d, draught_ms=0.1)
            )
            rows.append((f"48 h at {minutes} min, {name}", spent, one_step_s * times.size))
    air = held_air(0.0, 22.0, 0.6, hours=24.0, draught_ms=0.1)
    rows.append(
        (
            "latest time to bring in, cylinder",
            _best_s(lambda: latest_arrival_s(cylinder, -5.0, air, 43_200.0)),
            one_step_s,
        )
    )
    print(f"{'what':38} {'ms':>8} {'closed form, ms':>16} {'ratio':>8}")
    for name, spent, bare in rows:
        print(f"{name:38} {1e3 * spent:8.3f} {1e3 * bare:16.5f} {spent / bare:8.0f}")


if __name__ == "__main__":
    main()
