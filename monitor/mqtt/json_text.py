"""Reads JSON text into plain values, or says what is wrong with the text."""

import json
import re
from typing import Any

import msgspec

from monitor.mqtt.rejection import RejectionReason, reject

# RFC 8259 section 9 leaves the limit to the reader. A limit of our own is the same on every Python, and no
# reader ever comes near its stack.
MAX_DEPTH = 32

_fast = msgspec.json.Decoder().decode
# Possessive, so that no text makes it go back; a string that never ends is taken whole.
_STRING_OR_BRACKET = re.compile(rb'"(?:[^"\\]|\\.)*+(?:"|\\?\Z)|[\[\]{}]', re.DOTALL)


def parse(payload: bytes) -> Any:
    """The value of a JSON text, or a Rejection. NaN and infinities come through, to be named by field."""
    if _too_deep(payload):
        fix = f"is nested more than {MAX_DEPTH} deep; send a flat message"
        return reject(RejectionReason.TOO_DEEP, "message", payload.decode(errors="replace"), fix)
    try:
        return _fast(payload)
    except (msgspec.DecodeError, UnicodeDecodeError):
        return _slowly(payload)


def _too_deep(payload: bytes) -> bool:
    """Whether its arrays and objects are nested more deeply than MAX_DEPTH."""
    if payload.count(b"[") + payload.count(b"{") <= MAX_DEPTH:
        return False
    depth = 0
    for found in _STRING_OR_BRACKET.finditer(payload):
        mark = found[0]
        depth += mark in b"[{"
        depth -= mark in b"]}"
        if depth > MAX_DEPTH:
            return True
    return False


def _slowly(payload: bytes) -> Any:
    """The standard reader, which says where the text goes wrong and knows NaN by its names."""
    try:
        text = payload.decode()
    except UnicodeDecodeError as error:
        fix = "send UTF-8 text"
        return reject(
            RejectionReason.NOT_UTF8, f"byte {error.start}", payload[error.start : error.start + 4], fix
        )
    try:
        return json.loads(text)
    except json.JSONDecodeError as error:
        place = f"line {error.lineno}, column {error.colno}"
        found = text[error.pos : error.pos + 20] or "the end of the message"
        return reject(RejectionReason.MALFORMED, place, found, f"is not JSON: {error.msg}")
    except ValueError as error:  # a whole number of thousands of digits
        return reject(
            RejectionReason.NOT_FINITE, "message", text, f"holds a number that cannot be read: {error}"
        )
