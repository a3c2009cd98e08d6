"""A month's file gives every number back to the bit."""

from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pyarrow.parquet
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from monitor.model.reading import Quantity, SeriesKey
from monitor.store.contract import MonthFile
from monitor.store.months.month_file import (
    ROWS,
    MonthRows,
    MonthWriter,
    block_of,
    in_groups,
    read_group,
    read_metadata,
    reasons_of,
)
from monitor.store.series.packing import BLOCK, Block

AIR = SeriesKey("slip-bay", "wall-1", Quantity.AIR_TEMPERATURE)
HUMIDITY = SeriesKey("slip-bay", "wall-1", Quantity.RELATIVE_HUMIDITY)
WHOLE = st.integers(-(2**63), 2**63 - 1)
NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
ROW = st.tuples(NUMBERS, st.integers(1, 2**62), WHOLE, WHOLE, st.booleans(), st.booleans(), st.integers(0, 4))


def made(rows: list[tuple], first_ms: int) -> Block:
    block = np.zeros(len(rows), BLOCK)
    for n, (value, order, delay, sequence, sequenced, device, status) in enumerate(rows):
        sent = sequence if sequenced else 0
        block[n] = (first_ms + n * 7, value, order, delay, sent, sequenced, device, status)
    return block


def there_and_back(groups: list[list[MonthRows]], *, derived: bool) -> list[tuple[bytes, dict[int, str]]]:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "month.parquet"
        writer = MonthWriter(path, derived=derived)
        numbers = [writer.write(group) for group in groups]
        writer.close({})
        file = MonthFile(1, path, "2026-03", derived, "", path.stat().st_size, 0)
        metadata, found = read_metadata(path), []
        for number in numbers:
            table = read_group(file, metadata, number, whole=True)
            block = block_of(table, 0, table.num_rows)
            found.append((block.tobytes(), reasons_of(table, 0, table.num_rows)))
        return found


@given(st.lists(ROW, min_size=1, max_size=30), st.lists(ROW, min_size=1, max_size=30))
@example(
    [(0.0, 1, 0, 0, False, True, 0), (-0.0, 2, 0, 0, True, True, 0), (5e-324, 3, -1, -1, True, False, 4)],
    [(1.7976931348623157e308, 4, 2**63 - 1, -(2**63), True, False, 1)],
)
def test_readings_come_back_to_the_bit_whatever_they_are(first: list[tuple], second: list[tuple]) -> None:
    rows = [MonthRows(AIR, made(first, 0), {}), MonthRows(HUMIDITY, made(second, 253_402_300_000_000), {})]
    (found,) = there_and_back([rows], derived=False)
    assert found[0] == rows[0].block.tobytes() + rows[1].block.tobytes()


@given(st.lists(NUMBERS, min_size=1, max_size=60))
@example([0.0, -0.0, 5e-324, -1.7976931348623157e308])
def test_derived_points_come_back_to_the_bit(values: list[float]) -> None:
    block = np.zeros(len(values), BLOCK)
    block["time_ms"], block["value"] = np.arange(len(values)) * 60_000, values
    (found,) = there_and_back([[MonthRows(AIR, block, {})]], derived=True)
    assert found[0] == block.tobytes()


def test_the_reason_of_each_doubted_number_comes_back() -> None:
    block = made([(1.0, n, 0, 0, False, False, n % 3) for n in range(1, 40)], 0)
    reasons = {n: f"jump {n % 5} °C" for n in range(1, 40) if n % 3}
    (found,) = there_and_back([[MonthRows(AIR, block, reasons)]], derived=False)
    assert found[1] == reasons


def test_the_quantities_of_a_source_are_cut_at_the_same_times_and_nothing_is_left_out() -> None:
    long = made([(1.0, n, 0, 0, False, False, 0) for n in range(1, 2 * ROWS + 500)], 0)
    short = long[np.arange(long.size) % 3 > 0]
    groups = list(in_groups([MonthRows(AIR, long, {}), MonthRows(HUMIDITY, short, {})]))
    assert [group[0].block.size for group in groups] == [ROWS, ROWS, 499]
    for number, whole in enumerate((long, short)):
        assert np.array_equal(np.concatenate([group[number].block for group in groups]), whole)
    for group in groups:
        assert group[1].block["time_ms"][0] >= group[0].block["time_ms"][0]


def test_a_byte_changed_in_a_page_is_found_by_its_checksum(tmp_path: Path) -> None:
    path = tmp_path / "month.parquet"
    writer = MonthWriter(path, derived=True)
    block = np.zeros(5_000, BLOCK)
    block["time_ms"], block["value"] = np.arange(5_000), np.random.default_rng(1).normal(size=5_000)
    writer.write([MonthRows(AIR, block, {})])
    writer.close({})
    content = bytearray(path.read_bytes())
    content[path.stat().st_size // 2] ^= 1
    path.write_bytes(content)
    file = MonthFile(1, path, "2026-03", True, "", 0, 0)
    with pytest.raises(OSError, match=r"(?i)crc"):
        read_group(file, read_metadata(path), 0, whole=True)
    assert pyarrow.parquet.read_metadata(path).num_rows == 5_000
