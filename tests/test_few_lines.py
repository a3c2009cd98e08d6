"""The log stays small whatever happens."""

import logging

from monitor.cli.few_lines import MOST_KINDS, MOST_OF_A_KIND, FewLines


def line(time_s: float, number: int, place: int = 7) -> logging.LogRecord:
    record = logging.LogRecord(
        "asyncio", logging.ERROR, "loop.py", place, "no more files: %d", (number,), None
    )
    record.created = time_s
    return record


def test_what_repeats_is_written_a_few_times_a_minute_and_the_rest_is_counted() -> None:
    few = FewLines()
    written = [few.filter(line(60.0, number)) for number in range(10_000)]
    assert sum(written) == MOST_OF_A_KIND
    assert few.filter(line(60.0, 0, place=8))
    later = line(121.0, 5)
    assert few.filter(later)
    left = 10_000 - MOST_OF_A_KIND
    assert later.getMessage() == f"no more files: 5 (and {left} more like it were left out)"
    again = line(122.0, 6)
    assert (few.filter(again), again.getMessage()) == (True, "no more files: 6")


def test_what_is_remembered_of_the_log_has_an_end() -> None:
    few = FewLines()
    for place in range(10 * MOST_KINDS):
        assert few.filter(line(60.0, 0, place))
    assert len(few._kinds) == MOST_KINDS
