"""Prints how long a step of all alarms takes, beside the bare cost of making the values it must make.

Run: python -m tests.bench.alarms_bench
"""

from time import process_time

import msgspec

from monitor.alarms.conditions import Observation
from monitor.alarms.grouping import GroupBook, regroup
from monitor.alarms.messages import compose
from monitor.alarms.states import Alarm, AlarmBook
from tests.alarms.shop import START_S, advance, book_of, catalogue, watched, wording

CONDITIONS = 1_000
STEPS = 50


def main() -> None:
    """A quiet step, a storm in which everything crosses at once, one message, one checkpoint."""
    conditions = [watched("body_margin_low", f"argon-{n}") for n in range(CONDITIONS)]
    rules, spoken = catalogue().grouping, wording()
    book = book_of(*conditions)
    rows: list[tuple[str, float, int]] = []

    start = process_time()
    fields = {name: getattr(next(iter(book.alarms.values())), name) for name in Alarm.__slots__}
    for _ in range(STEPS):
        _ = {c.id: (Observation(c.id, 8.0, START_S), Alarm(**fields)) for c in conditions}
    bare_us = (process_time() - start) / STEPS / CONDITIONS * 1e6
    rows.append(("bare: observation and alarm, made", bare_us, CONDITIONS))

    def step(now_s: float, value: float) -> tuple[AlarmBook, int]:
        after, moved = advance(book, [Observation(c.id, value, now_s) for c in conditions], now_s)
        return after, len(moved)

    start = process_time()
    for n in range(STEPS):
        book, _ = step(START_S + 10.0 * n, 8.0)
    rows.append(
        ("quiet step, per condition", (process_time() - start) / STEPS / CONDITIONS * 1e6, CONDITIONS)
    )

    now_s = START_S + 1_000.0
    book, _ = step(now_s, 2.0)
    start = process_time()
    book, moved = advance(book, [Observation(c.id, 2.0, now_s + 300.0) for c in conditions], now_s + 300.0)
    groups, _ = regroup(GroupBook(), moved, book, rules, now_s + 300.0)
    groups, said = regroup(groups, (), book, rules, now_s + 600.0)
    rows.append(("storm, per condition", (process_time() - start) / CONDITIONS * 1e6, len(moved)))

    start = process_time()
    for _ in range(STEPS):
        compose(said[0], spoken)
    rows.append(("one message of the storm", (process_time() - start) / STEPS * 1e6, 1))

    start = process_time()
    for _ in range(STEPS // 10):
        msgspec.msgpack.decode(msgspec.msgpack.encode(book), type=AlarmBook)
    rows.append(
        (
            "checkpoint and back, per condition",
            (process_time() - start) / (STEPS // 10) / CONDITIONS * 1e6,
            CONDITIONS,
        )
    )

    print(f"{'what':<38}{'us':>10}{'x bare':>10}{'of':>8}")
    for name, value, count in rows:
        print(f"{name:<38}{value:>10.2f}{value / bare_us:>10.1f}{count:>8}")


if __name__ == "__main__":
    main()
