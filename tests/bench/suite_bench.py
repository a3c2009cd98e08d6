"""Measures the suite: its items, the seconds of each room of tests, and the slowest twenty items.

Run `python -m tests.bench.suite_bench [PYTEST ARGUMENTS]`. Processor seconds are those of the test process
and of every process that it started and waited for; a busy machine changes them little, the wall's a lot.
A file's fixtures count for the item that set them up.
"""

import os
import sys
import time
from collections import defaultdict
from collections.abc import Generator
from pathlib import PurePosixPath
from typing import Any

import pytest

SLOWEST = 20


def processor_s() -> float:
    """The processor seconds, so far, of this process and of the children it has waited for."""
    now = os.times()
    return now.user + now.system + now.children_user + now.children_system


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    """Notes on the item what it has used, from its fixtures' beginning to their end."""
    item.user_properties.append(("from", (time.monotonic(), processor_s())))
    return (yield)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[Any]) -> Generator[None, Any, Any]:
    """Every report of a phase carries the seconds since the one before, a worker's report too."""
    report = yield
    began = dict(item.user_properties)["from"]
    now = (time.monotonic(), processor_s())
    report.used = [now[0] - began[0], now[1] - began[1]]
    item.user_properties[:] = [("from", now)]
    return report


class Table:
    """Adds up what the reports say and prints it at the end."""

    def __init__(self) -> None:
        self.used: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """One phase of one item is over."""
        for which, seconds in enumerate(report.used):  # type: ignore[attr-defined]
            self.used[report.nodeid][which] += seconds

    def print(self, wall_s: float) -> None:
        """The rooms, dearest first, then the slowest items."""
        rooms: dict[str, list[float]] = defaultdict(lambda: [0, 0.0, 0.0])
        for name, (wall, cpu) in self.used.items():
            path = PurePosixPath(name.split("::")[0])
            room = rooms[path.parts[1] if len(path.parts) > 2 else "tests"]
            room[0], room[1], room[2] = room[0] + 1, room[1] + wall, room[2] + cpu
        print(f"\n{'room':<14}{'items':>7}{'wall s':>9}{'CPU s':>9}")
        for name, (items, wall, cpu) in sorted(rooms.items(), key=lambda each: -each[1][1]):
            print(f"{name:<14}{items:>7.0f}{wall:>9.1f}{cpu:>9.1f}")
        print(f"{'all':<14}{len(self.used):>7}{wall_s:>9.1f}{processor_s():>9.1f}   (begin to end)\n")
        slowest = sorted(self.used.items(), key=lambda each: -max(each[1]))[:SLOWEST]
        for name, (wall, cpu) in slowest:
            print(f"{wall:>7.1f} s{cpu:>7.1f} s CPU  {name}")


if __name__ == "__main__":
    table = Table()
    start = time.monotonic()
    code = pytest.main(["-p", "tests.bench.suite_bench", *sys.argv[1:]], plugins=[table])
    table.print(time.monotonic() - start)
    sys.exit(code)
