"""How long the exposure clocks take, beside a bare sum over the same readings.

Run it: python tests/bench/exposure_bench.py
"""

import timeit
import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np

from monitor.consumables.classes import Place, consumable_classes
from monitor.consumables.exposure_air import AirSamples, AirStretch
from monitor.consumables.exposure_clock import advance_clock, start_clock
from monitor.consumables.exposure_limits import clock_rules
from monitor.consumables.materials import sorption_data
from monitor.consumables.verdict import package_verdict
from monitor.model.shop_rule import ShopRule

SHARED = Path(__file__).parents[2] / "shared"


def read(name: str) -> dict[str, object]:
    return tomllib.loads((SHARED / name).read_text(encoding="utf-8"))


def air(count: int) -> AirSamples:
    times = np.arange(count) * 30.0
    warmth = 20.0 + 5.0 * np.sin(times / 86_400.0 * 2.0 * np.pi)
    return AirSamples(times, warmth, np.full(count, 0.6), np.ones(count, dtype=np.bool_))


def best_us(work: Callable[[], object], number: int) -> float:
    return 1e6 * min(timeit.repeat(work, number=number, repeat=5)) / number


def main() -> None:
    rules = clock_rules(
        consumable_classes(read("consumables.toml"))["fcaw-folded-h8"],
        ShopRule(),
        sorption_data(read("sorption.toml")).parameters(),
        reading_speaks_s=900.0,
    )
    begun = start_clock(0.0, rules, zone="bay")
    print(f"{'readings at once':>18} {'clock µs':>10} {'bare sum µs':>12} {'ratio':>7}")
    for count in (1, 120, 2_880, 260_000):
        samples = air(count)
        stretch = AirStretch(Place.OPEN_AIR, "bay", count * 30.0, samples)
        number = max(1, 20_000 // count)
        clock = best_us(lambda stretch=stretch: advance_clock(begun, stretch, rules), number)
        bare = best_us(
            lambda s=samples: float(
                (np.exp(17.62 * s.temperature_c / (243.12 + s.temperature_c)) * s.rh_frac).sum()
            ),
            number,
        )
        print(f"{count:>18} {clock:>10.0f} {bare:>12.1f} {clock / bare:>7.0f}")
    print(f"{'verdict':>18} {best_us(lambda: package_verdict(begun, rules), 2000):>10.0f}")


if __name__ == "__main__":
    main()
