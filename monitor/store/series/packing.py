"""Packs the numbers of one series and day into few bytes, and gives them back to the bit.

A block is one byte of version, the count as four bytes, and a zlib stream of the columns one after another. A
column is a byte that says how it was made small, the numbers that undoes it with (eight bytes each), a byte
for how many bytes of each number were kept, and these, the lowest bytes of all numbers first: neighbours then
look alike, and zlib finds it. All numbers are little-endian.

Whole numbers are kept as what their differences, or they themselves, differ from the median; what is then
small of either sign is folded to be small without one. A value with few decimals, as sensors send it, is kept
as a whole number; any other keeps its IEEE 754 bits, each after a bitwise difference from the one before.
"""

import struct
import zlib
from collections.abc import Collection

import numpy as np
import numpy.typing as npt

VERSION = 1
BLOCK = np.dtype(
    [
        ("time_ms", "<i8"),
        ("value", "<f8"),
        ("arrival_order", "<i8"),
        ("delay_ms", "<i8"),
        ("sequence", "<i8"),
        ("sequenced", "<i8"),  # 0 where the device sent no sequence
        ("from_device", "<i8"),
        ("status", "<i8"),
    ]
)
POINT_COLUMNS = ("time_ms", "value")
READING_COLUMNS = tuple(BLOCK.names or ())

Block = npt.NDArray[np.void]
_Whole = npt.NDArray[np.int64]
_Bits = npt.NDArray[np.uint64]
_HEAD = struct.Struct("<BI")
_STEPS, _LEVEL, _DECIMALS, _SHARE_DECIMALS, _XOR = range(5)
_MOST_DECIMALS = 6
_EXACT = 2.0**53
_LEVEL_OF_ZLIB = 6


def pack(block: Block, *, derived: bool) -> bytes:
    """A block as bytes; of derived points only time and value are kept."""
    columns = POINT_COLUMNS if derived else READING_COLUMNS
    body = b"".join(
        _packed_values(block["value"]) if name == "value" else _packed_whole(block[name]) for name in columns
    )
    return _HEAD.pack(VERSION, block.size) + zlib.compress(body, _LEVEL_OF_ZLIB)


def unpack(packed: bytes, *, derived: bool, only: Collection[str] = READING_COLUMNS) -> Block:
    """The block that was packed, zero in columns that are not asked for; ValueError where it is none."""
    try:
        version, count = _HEAD.unpack_from(packed)
        if version != VERSION:
            raise ValueError(f"a packed day of layout {version}; this version knows {VERSION}")
        body = zlib.decompress(packed[_HEAD.size :])
        block = np.zeros(count, BLOCK)
        at = 0
        for name in POINT_COLUMNS if derived else READING_COLUMNS:
            if name not in only:
                at = (_past_values if name == "value" else _past_whole)(body, at, count)
                continue
            read = _values if name == "value" else _whole
            block[name], at = read(body, at, count)
    except (struct.error, zlib.error, IndexError) as error:
        raise ValueError(f"no packed day: {error}") from error
    if at != len(body):
        raise ValueError("no packed day: there is more than its columns")
    return block


def _packed_whole(numbers: _Whole) -> bytes:
    """Whichever is smaller: steps from one to the next, or the numbers, each beside the median of them."""
    first = numbers[:1]
    steps = np.diff(numbers)
    by_step = bytes([_STEPS]) + _eight(first) + _beside_median(steps)
    by_level = bytes([_LEVEL]) + _beside_median(numbers)
    return min(by_step, by_level, key=lambda made: len(zlib.compress(made, 1)))


def _beside_median(numbers: _Whole) -> bytes:
    middle = np.sort(numbers)[numbers.size // 2 : numbers.size // 2 + 1]
    away = numbers - (middle if middle.size else 0)
    folded = (away.astype(np.uint64) << np.uint64(1)) ^ (away >> np.int64(63)).astype(np.uint64)
    return _eight(middle) + _planes(folded)


def _packed_values(values: npt.NDArray[np.float64]) -> bytes:
    for kind in (_DECIMALS, _SHARE_DECIMALS):
        for decimals in range(_MOST_DECIMALS + 1):
            whole = _as_whole(values, kind, decimals)
            if whole is not None:
                return bytes([kind, decimals]) + _packed_whole(whole)
    bits = values.astype("<f8").view("<u8")
    return bytes([_XOR]) + _planes(bits ^ np.concatenate([np.zeros(1, "<u8"), bits[:-1]]))


def _as_whole(values: npt.NDArray[np.float64], kind: int, decimals: int) -> _Whole | None:
    """Whole numbers that give exactly these values back; None where none do."""
    scale = 10.0**decimals * (100.0 if kind == _SHARE_DECIMALS else 1.0)
    with np.errstate(over="ignore", invalid="ignore"):
        scaled = np.rint(values * scale)
    if not np.all(np.abs(scaled) < _EXACT):
        return None
    whole = scaled.astype(np.int64)
    same = _from_whole(whole, kind, decimals).view("<u8") == values.astype("<f8").view("<u8")
    return whole if bool(np.all(same)) else None


def _from_whole(whole: _Whole, kind: int, decimals: int) -> npt.NDArray[np.float64]:
    values = (whole.astype("<f8") / 10.0**decimals).astype("<f8")
    return values / 100.0 if kind == _SHARE_DECIMALS else values


def _planes(numbers: _Bits) -> bytes:
    """The bytes of all numbers, the lowest first, as far as any is not zero, after how many there are."""
    table = numbers.astype("<u8").view(np.uint8).reshape(-1, 8)
    used = np.flatnonzero(table.any(axis=0))
    width = int(used[-1]) + 1 if used.size else 0
    return bytes([width]) + np.ascontiguousarray(table[:, :width].T).tobytes()


def _read_planes(body: bytes, at: int, count: int) -> tuple[_Bits, int]:
    width = body[at]
    end = at + 1 + width * count
    if width > 8 or end > len(body):
        raise ValueError("no packed day: a column is cut")
    table = np.zeros((count, 8), np.uint8)
    table[:, :width] = np.frombuffer(body, np.uint8, width * count, at + 1).reshape(width, count).T
    return table.reshape(-1).view("<u8"), end


def _past_values(body: bytes, at: int, count: int) -> int:
    """Where the column after this one of values begins."""
    if body[at] == _XOR:
        return at + 2 + body[at + 1] * count
    return _past_whole(body, at + 2, count)


def _past_whole(body: bytes, at: int, count: int) -> int:
    """Where the column after this one of whole numbers begins."""
    kept = count
    if body[at] == _STEPS:
        at, kept = at + 8 * (count > 0), max(count - 1, 0)
    at += 1 + 8 * (kept > 0)
    return at + 1 + body[at] * kept


def _whole(body: bytes, at: int, count: int) -> tuple[_Whole, int]:
    if body[at] == _LEVEL:
        return _from_median(body, at + 1, count)
    if body[at] != _STEPS:
        raise ValueError(f"no packed day: whole numbers of kind {body[at]}")
    first, at = _read_eight(body, at + 1, count)
    steps, at = _from_median(body, at, max(count - 1, 0))
    return np.cumsum(np.concatenate([first, steps])), at


def _from_median(body: bytes, at: int, count: int) -> tuple[_Whole, int]:
    middle, at = _read_eight(body, at, count)
    folded, at = _read_planes(body, at, count)
    away = (folded >> np.uint64(1)).astype(np.int64) ^ -(folded & np.uint64(1)).astype(np.int64)
    return away + (middle if middle.size else 0), at


def _values(body: bytes, at: int, count: int) -> tuple[npt.NDArray[np.float64], int]:
    kind = body[at]
    if kind in (_DECIMALS, _SHARE_DECIMALS):
        decimals = body[at + 1]
        whole, at = _whole(body, at + 2, count)
        return _from_whole(whole, kind, decimals), at
    if kind != _XOR:
        raise ValueError(f"no packed day: values of kind {kind}")
    changes, at = _read_planes(body, at + 1, count)
    return np.bitwise_xor.accumulate(changes).view("<f8"), at


def _eight(number: _Whole) -> bytes:
    return number.astype("<i8").tobytes()


def _read_eight(body: bytes, at: int, count: int) -> tuple[_Whole, int]:
    size = 8 if count else 0
    return np.frombuffer(body, "<i8", size // 8, at).astype(np.int64), at + size
