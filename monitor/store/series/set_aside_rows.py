"""Keeps messages that could not be read, within a number and a size; whoever holds most makes room first."""

import sqlite3
from collections import deque
from collections.abc import Sequence
from typing import NamedTuple

from monitor.model.payload import KEPT_PAYLOAD_BYTES, kept_topic
from monitor.store.contract import SetAside
from monitor.store.series.catalog import add_number

MAX_TIME_S = 253_402_300_800.0  # the end of the year 9999
KEPT_DETAIL_CHARACTERS = 1_000
# Topics that nobody declared are one holder together: a stranger needs no second one to get a second share.
STRANGER = "unknown_topic"
LET_GO = "let_go"

_INSERT = """
INSERT INTO set_aside (topic, payload, arrived_ms, reason, detail, bytes) VALUES (?, ?, ?, ?, ?, ?)"""


class AsideBound(NamedTuple):
    """How many messages are kept, and how many bytes they may take together."""

    messages: int = 10_000
    size_bytes: int = 16_000_000


def put_aside(db: sqlite3.Connection, messages: Sequence[SetAside], bound: AsideBound) -> None:
    """Keep messages for inspection; beyond the bound the oldest go of whoever holds most, and are counted."""
    if not messages:
        return
    db.executemany(_INSERT, [_row(message) for message in messages])
    gone = _let_go(db, bound)
    db.executemany("DELETE FROM set_aside WHERE id = ?", [(number,) for number in gone])
    add_number(db, LET_GO, len(gone))


def _row(message: SetAside) -> tuple[str, bytes, int, str, str, int]:
    topic, detail = kept_topic(message.topic), message.detail
    payload = message.payload[:KEPT_PAYLOAD_BYTES]
    if len(payload) < len(message.payload):
        detail = f"{detail}\n{len(message.payload)} bytes, of which the first {len(payload)} are kept"
    if len(detail) > KEPT_DETAIL_CHARACTERS:
        detail = f"{detail[:KEPT_DETAIL_CHARACTERS]}… ({len(detail)} characters)"
    size = len(payload) + sum(
        len(text.encode("utf-8", "replace")) for text in (topic, message.reason, detail)
    )
    arrived_ms = round(message.arrived_s * 1000.0) if 0.0 <= message.arrived_s < MAX_TIME_S else 0
    return topic, payload, arrived_ms, message.reason, detail, size


def _let_go(db: sqlite3.Connection, bound: AsideBound) -> list[int]:
    """Which messages make room: the oldest of the holder with the most bytes, or the most messages."""
    count, size = db.execute("SELECT count(*), coalesce(sum(bytes), 0) FROM set_aside").fetchone()
    if count <= bound.messages and size <= bound.size_bytes:
        return []
    held: dict[str, deque[tuple[int, int]]] = {}
    for number, topic, reason, taken in db.execute(
        "SELECT id, topic, reason, bytes FROM set_aside ORDER BY id"
    ):
        held.setdefault("" if reason == STRANGER else topic, deque()).append((number, taken))
    sizes = {holder: sum(taken for _, taken in rows) for holder, rows in held.items()}
    gone: list[int] = []
    while count > bound.messages or size > bound.size_bytes:
        most = max(held, key=lambda holder: sizes[holder] if size > bound.size_bytes else len(held[holder]))
        number, taken = held[most].popleft()
        gone.append(number)
        sizes[most] -= taken
        count, size = count - 1, size - taken
    return gone


def read_aside(db: sqlite3.Connection, limit: int, skip: int) -> list[SetAside]:
    """Messages put aside, newest first, after so many newer ones."""
    rows = db.execute(
        "SELECT topic, payload, arrived_ms, reason, detail FROM set_aside ORDER BY id DESC LIMIT ? OFFSET ?",
        (limit, skip),
    )
    return [
        SetAside(topic, payload, ms / 1000.0, reason, detail) for topic, payload, ms, reason, detail in rows
    ]
