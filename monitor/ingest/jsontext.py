"""Reads JSON text into plain values, or says what is wrong with the text."""

import json
from typing import Any

import msgspec

from monitor.ingest.rejection import Reason, reject

_fast = msgspec.json.Decoder().decode


def parse(payload: bytes) -> Any:
    """The value of a JSON text, or a Rejection. NaN and infinities come through, to be named by field."""
    try:
        return _fast(payload)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return _slowly(payload)


def _slowly(payload: bytes) -> Any:
    """The standard reader, which says where the text goes wrong and knows NaN by its names."""
    try:
        text = payload.decode()
    except UnicodeDecodeError as error:
        fix = "send UTF-8 text"
        return reject(Reason.NOT_UTF8, f"byte {error.start}", payload[error.start : error.start + 4], fix)
    try:
        return json.loads(text)
    except json.JSONDecodeError as error:
        place = f"line {error.lineno}, column {error.colno}"
        found = text[error.pos : error.pos + 20] or "the end of the message"
        return reject(Reason.MALFORMED, place, found, f"is not JSON: {error.msg}")
    except RecursionError:
        return reject(Reason.TOO_DEEP, "message", text, "is nested too deeply; send a flat message")
    except ValueError as error:  # a whole number of thousands of digits
        return reject(Reason.NOT_FINITE, "message", text, f"holds a number that cannot be read: {error}")
