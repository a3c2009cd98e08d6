"""A packed day gives back what went in, to the bit, whatever it was, in few bytes for what sensors send."""

import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.store.series.packing import BLOCK, READING_COLUMNS, pack, unpack

WHOLE = st.integers(-(2**63), 2**63 - 1)
ROWS = st.lists(
    st.tuples(
        WHOLE,
        st.one_of(
            st.floats(allow_nan=False, allow_infinity=False),
            st.integers(-9999, 9999).map(lambda n: n / 100),
            st.integers(0, 9999).map(lambda n: n / 100 / 100),
        ),
        *(WHOLE for _ in range(6)),
    ),
    max_size=50,
)


def same(one: np.ndarray, other: np.ndarray) -> bool:
    return one.tobytes() == other.tobytes()


@given(ROWS)
def test_any_numbers_come_back_to_the_bit(rows):
    block = np.array(rows, BLOCK)
    assert same(unpack(pack(block, derived=False), derived=False), block)
    back = unpack(pack(block, derived=True), derived=True)
    assert same(back["time_ms"], block["time_ms"])
    assert same(back["value"], block["value"])


@given(ROWS, st.sets(st.sampled_from(READING_COLUMNS)), st.booleans())
def test_some_columns_alone_are_what_they_are_among_all(rows, only, derived):
    packed = pack(np.array(rows, BLOCK), derived=derived)
    whole, some = unpack(packed, derived=derived), unpack(packed, derived=derived, only=only)
    assert all(same(some[name], whole[name]) for name in only)
    assert not any(some[name].any() for name in set(READING_COLUMNS) - only)


def test_a_negative_zero_and_the_smallest_number_keep_their_bits():
    block = np.zeros(3, BLOCK)
    block["value"] = [-0.0, 5e-324, 0.1 + 0.2]
    assert same(unpack(pack(block, derived=False), derived=False), block)


@given(st.binary(max_size=200))
def test_bytes_that_are_no_packed_day_are_refused_and_never_read_as_one(data):
    try:
        unpack(data, derived=False, only=("time_ms", "status"))
        unpack(data, derived=False)
    except ValueError:
        return
    assert struct.unpack_from("<BI", data) == (1, 0)


def test_a_packed_day_with_a_byte_changed_or_cut_is_refused():
    packed = pack(jittering_day(), derived=False)
    for at in range(5, len(packed), 97):
        with pytest.raises(ValueError, match="packed day"):
            unpack(packed[:at] + bytes([packed[at] ^ 1]) + packed[at + 1 :], derived=False)
        with pytest.raises(ValueError, match="packed day"):
            unpack(packed[:at], derived=False)


def jittering_day() -> np.ndarray:
    """A day of a wall sensor every half minute: its clock jitters, it comes a little later, 0.01 K steps."""
    rng = np.random.default_rng(7)
    n = 2880
    block = np.zeros(n, BLOCK)
    block["time_ms"] = 1_700_006_400_000 + np.arange(n) * 30_000 + rng.normal(0, 15, n).astype(np.int64)
    block["value"] = np.round(18 + np.cumsum(rng.normal(0, 0.02, n)), 2)
    block["arrival_order"] = 5_000_000 + np.cumsum(rng.integers(38, 43, n))
    block["delay_ms"] = rng.gamma(2.0, 20.0, n).astype(np.int64)
    block["sequence"] = 77_000 + np.arange(n)
    block["sequenced"] = block["from_device"] = 1
    return block


def test_a_day_of_a_sensor_with_a_jittering_clock_takes_few_bytes_a_reading():
    packed = pack(jittering_day(), derived=False)
    assert len(packed) / 2880 < 4.2  # 88 bytes a reading as plain numbers, 58 and an index as rows
