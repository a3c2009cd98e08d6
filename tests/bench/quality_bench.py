"""Prints how long it takes to judge a reading, beside the bare cost of making two tuples of the same size.

Run: python -m tests.bench.quality_bench
"""

import random
from time import process_time

from monitor.sensors.health import tick
from monitor.sensors.judge import judge, judge_many
from monitor.sensors.track import new_track
from tests.sensors.sensors import AIR, RH, START_S, reading, rules

N = 100_000


def main() -> None:
    """Judge, judge many and tick, each in microseconds of processor time and against the baseline."""
    chance = random.Random(1)
    device = rules()
    readings = []
    for n in range(N // 2):
        readings.append(reading(20.0 + chance.random() * 0.2, START_S + 30.0 * n, AIR))
        readings.append(reading(0.5 + chance.random() * 0.01, START_S + 30.0 * n, RH))
    track = new_track("bay-1", START_S)
    track, _ = judge_many(track, readings[:2], device)
    fields = tuple(track.channels[AIR])
    kind = type(track.channels[AIR])

    start = process_time()
    for _ in range(N):
        kind(*fields)
        _ = {**track.channels, AIR: fields}
    bare_us = (process_time() - start) / N * 1e6

    start = process_time()
    one = track
    for item in readings[2:]:
        one, _ = judge(one, item, device)
    judge_us = (process_time() - start) / (N - 2) * 1e6

    start = process_time()
    many, _ = judge_many(track, readings[2:], device)
    many_us = (process_time() - start) / (N - 2) * 1e6
    assert many == one

    start = process_time()
    for n in range(N // 10):
        tick(one, device, readings[-1].time_s + n * 0.001)
    tick_us = (process_time() - start) / (N // 10) * 1e6

    print(f"{'what':<28}{'us':>8}{'x bare':>8}")
    for name, value in (
        ("bare: one tuple, one dict", bare_us),
        ("judge, per reading", judge_us),
        ("judge_many, per reading", many_us),
        ("tick, per sensor", tick_us),
    ):
        print(f"{name:<28}{value:>8.2f}{value / bare_us:>8.1f}")


if __name__ == "__main__":
    main()
