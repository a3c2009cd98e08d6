"""Writes a month of series as one Parquet file that says what it holds, and reads parts of it to the bit.

A row is a number of a series. A row group holds one source, its quantities one after another, each in rising
time: what a device sends together (time, delay, order, sequence) then repeats itself and takes no room again.
"""

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.model.quantity_units import unit_of
from monitor.model.reading import SeriesKey
from monitor.store.contract import MonthFile, ParquetUnavailableError
from monitor.store.series.packing import BLOCK, Block
from monitor.store.series.series_schema import STATUS_CODES

KEY = "dryshift"  # of the metadata that says what the file is
# Rows of one quantity in a row group; a multiple of the 128 that the encoding of whole numbers takes at once,
# so that the second quantity of a device repeats the first one's bytes.
ROWS = 8_192
_LEVEL_OF_ZSTD = 12  # a tenth more of time than 6 for 3 of 100 less
_STATUS_NAMES = [status.value for status in STATUS_CODES]
_CODES = {status.value: code for status, code in STATUS_CODES.items()}
_NAMES = ("zone", "source", "quantity", "unit")
_WHOLE = ("delay_ms", "arrival_order", "sequence")
_SHORT = ("time", "value", "status")
# What each column means, for a reader without us.
ABOUT: Mapping[str, Mapping[str, str]] = {
    "zone": {"about": "where the source is"},
    "source": {"about": "the sensor, or what the number was derived for: the zone itself, a body, a package"},
    "quantity": {"about": "what the number is; its unit ends the name"},
    "unit": {"about": "unit of `value`", "unit_system": "UCUM"},
    "time": {"about": "when it was measured, UTC", "unit": "ms"},
    "value": {"about": "the number, in the unit of the row's column `unit`", "unit_system": "UCUM"},
    "status": {"about": "NAMUR NE 107; what is not `good` is kept out of decisions"},
    "reason": {"about": "why a number is doubted"},
    "delay_ms": {"about": "arrival less `time`", "unit": "ms"},
    "arrival_order": {"about": "the place in the order of arrival over all series", "unit": "1"},
    "sequence": {"about": "the device's own count, where it sent one", "unit": "1"},
    "from_device": {"about": "whether `time` is by the device's clock"},
}
HOW_TO_READ = (
    "Apache Parquet, compressed by Zstandard, pages with CRC-32. Any reader of Parquet opens it, for example "
    "DuckDB: SELECT time, value FROM 'FILE' WHERE zone = '...' AND quantity = 'dew_point_c' ORDER BY time; "
    "or Python: pyarrow.parquet.read_table('FILE'). Each column's metadata says what it is and its unit; "
    "this text and all beside it lie in the file's metadata under the key dryshift. A series' sha256 is over "
    "its times (whole milliseconds since 1970, 64-bit little-endian) followed by its values (64-bit "
    "little-endian IEEE 754), both in rising time."
)


class MonthRows(NamedTuple):
    """Numbers of one series, and why those are doubted that are."""

    key: SeriesKey
    block: Block
    reasons: Mapping[int, str]  # by order of arrival


def arrow() -> tuple[Any, Any]:
    """The library and its part for Parquet; ParquetUnavailableError where it is not installed."""
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError as error:
        raise ParquetUnavailableError from error
    return pyarrow, parquet


def in_groups(rows: Sequence[MonthRows]) -> Iterator[list[MonthRows]]:
    """The numbers of one source in stretches of time, each small enough for one row group."""
    longest = max(rows, key=lambda one: one.block.size).block["time_ms"]
    edges = [np.iinfo(np.int64).min, *longest[ROWS::ROWS].tolist(), np.iinfo(np.int64).max]
    for start_ms, end_ms in pairwise(edges):
        group = []
        for one in rows:
            first, last = np.searchsorted(one.block["time_ms"], (start_ms, end_ms))
            if last > first:
                group.append(one._replace(block=one.block[first:last]))
        if group:
            yield group


class MonthWriter:
    """Writes one file, a row group at a time."""

    def __init__(self, file: Path, *, derived: bool) -> None:
        self._arrow, parquet = arrow()
        self._derived = derived
        self._groups = 0
        pa = self._arrow
        kinds = {
            **dict.fromkeys((*_NAMES, "status", "reason"), pa.string()),
            **dict.fromkeys(_WHOLE, pa.int64()),
            "time": pa.timestamp("ms", tz="UTC"),
            "value": pa.float64(),
            "from_device": pa.bool_(),
        }
        names = (*_NAMES, "time", "value") if derived else tuple(ABOUT)
        empty = {"reason", "sequence"}
        fields = [
            pa.field(name, kinds[name], nullable=name in empty, metadata=dict(ABOUT[name])) for name in names
        ]
        self.schema = pa.schema(fields)
        by_name = [name for name in names if name in (*_NAMES, "status", "reason")]
        whole = {name: "DELTA_BINARY_PACKED" for name in names if name in (*_WHOLE, "time")}
        # What is worked out has all its digits; what a sensor sends are few different numbers.
        value = {"value": "BYTE_STREAM_SPLIT"} if derived else {}
        self._writer = parquet.ParquetWriter(
            file,
            self.schema,
            compression="zstd",
            compression_level=_LEVEL_OF_ZSTD,
            use_dictionary=by_name if derived else [*by_name, "value"],
            column_encoding={**whole, **value},
            write_statistics=[*_NAMES, "time"],
            write_page_checksum=True,
        )

    def write(self, group: Sequence[MonthRows]) -> int:
        """Write what lies together; returns the number of its row group."""
        pa = self._arrow
        sizes = [one.block.size for one in group]
        whole = np.concatenate([one.block for one in group])
        columns: dict[str, object] = {}
        for name, texts in zip(_NAMES, zip(*map(_named, group), strict=True), strict=True):
            repeated = [pa.repeat(pa.scalar(text), n) for text, n in zip(texts, sizes, strict=True)]
            columns[name] = pa.concat_arrays(repeated)
        columns["time"] = pa.array(whole["time_ms"].view("datetime64[ms]"), pa.timestamp("ms", tz="UTC"))
        columns["value"] = whole["value"]
        if not self._derived:
            columns |= self._of_readings(whole, group)
        self._writer.write_table(pa.table(columns, schema=self.schema), row_group_size=whole.size)
        self._groups += 1
        return self._groups - 1

    def _of_readings(self, whole: Block, group: Sequence[MonthRows]) -> dict[str, object]:
        pa = self._arrow
        reasons = [
            one.reasons.get(order) if status else None
            for one in group
            for order, status in zip(
                one.block["arrival_order"].tolist(), one.block["status"].tolist(), strict=True
            )
        ]
        names = pa.array(_STATUS_NAMES)
        return {
            "status": names.take(pa.array(whole["status"])),
            "reason": pa.array(reasons, pa.string()),
            "delay_ms": whole["delay_ms"],
            "arrival_order": whole["arrival_order"],
            "sequence": pa.array(whole["sequence"], mask=whole["sequenced"] == 0),
            "from_device": whole["from_device"] != 0,
        }

    def close(self, about: Mapping[str, object]) -> None:
        """Write the end of the file, with what it is."""
        self._writer.add_key_value_metadata({KEY: json.dumps(about, ensure_ascii=False)})
        self._writer.close()

    def abandon(self) -> None:
        """Let go of a file that is not to be."""
        self._writer.close()


def _named(rows: MonthRows) -> tuple[str, str, str, str]:
    return rows.key.zone, rows.key.source, rows.key.quantity.value, unit_of(rows.key.quantity)


def read_metadata(file: Path) -> Any:
    """What the end of a file says of it; of use for reading its parts."""
    return arrow()[1].read_metadata(file)


def read_group(file: MonthFile, metadata: Any, row_group: int, *, whole: bool) -> Any:
    """A row group as a table: all of it, or what charts ask for."""
    columns = list(_SHORT[:2] if file.derived else _SHORT)
    if whole and not file.derived:
        columns += ["reason", *_WHOLE, "from_device"]
    named = [] if file.derived else ["status", "reason"]
    _, parquet = arrow()
    with parquet.ParquetFile(
        file.path, metadata=metadata, read_dictionary=named, page_checksum_verification=True
    ) as opened:
        return opened.read_row_group(row_group, columns=columns, use_threads=False)


def block_of(table: Any, first_row: int, n: int) -> Block:
    """So many rows of a table, as the store knows them."""
    part = table.slice(first_row, n)
    block = np.zeros(n, BLOCK)
    block["time_ms"] = part["time"].to_numpy().view("<i8")
    block["value"] = part["value"].to_numpy()
    if "status" in part.column_names:
        block["status"] = np.concatenate([_codes(chunk) for chunk in part["status"].chunks])
    if "arrival_order" in part.column_names:
        sequence = part["sequence"]
        block["sequenced"] = sequence.is_valid().to_numpy()
        block["sequence"] = sequence.fill_null(0).to_numpy()
        for name in ("delay_ms", "arrival_order", "from_device"):
            block[name] = part[name].to_numpy()
    return block


def reasons_of(table: Any, first_row: int, n: int) -> dict[int, str]:
    """Why numbers are doubted, by order of arrival."""
    if "reason" not in table.column_names:
        return {}
    part = table.slice(first_row, n)
    if part["reason"].null_count == n:
        return {}
    pairs = zip(part["arrival_order"].to_pylist(), part["reason"].to_pylist(), strict=True)
    return {order: reason for order, reason in pairs if reason is not None}


def _codes(chunk: Any) -> npt.NDArray[np.int64]:
    names = chunk.dictionary.to_pylist()
    codes: npt.NDArray[np.int64] = np.array([_CODES[name] for name in names], np.int64)
    return np.asarray(codes[chunk.indices.to_numpy()])


class SeriesDigest:
    """What a file says of one series: how many numbers, from when to when, and the hash over them."""

    def __init__(self) -> None:
        self.n = 0
        self._first_ms = self._last_ms = 0
        self._times, self._values = hashlib.sha256(), list[bytes]()

    def add(self, block: Block) -> None:
        """Further numbers, in rising time."""
        if not self.n:
            self._first_ms = int(block["time_ms"][0])
        self._last_ms = int(block["time_ms"][-1])
        self.n += block.size
        self._times.update(block["time_ms"].tobytes())
        self._values.append(block["value"].tobytes())

    def said(self, key: SeriesKey) -> dict[str, object]:
        """As it stands in the file."""
        digest = self._times.copy()
        for one in self._values:
            digest.update(one)
        return {
            "zone": key.zone,
            "source": key.source,
            "quantity": key.quantity.value,
            "unit": unit_of(key.quantity),
            "numbers": self.n,
            "first_ms": self._first_ms,
            "last_ms": self._last_ms,
            "sha256": digest.hexdigest(),
        }
