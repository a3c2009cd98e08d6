"""Why a message, or a part of it, could not be read."""

from enum import StrEnum
from typing import NamedTuple

from monitor.model.errors import Fault
from monitor.model.reading import Reading

SHOWN_CHARACTERS = 60


class RejectionReason(StrEnum):
    """Stable codes: counters, stored rejections and the message contract name them."""

    UNKNOWN_TOPIC = "unknown_topic"
    EMPTY = "empty"
    TOO_LARGE = "too_large"
    NOT_UTF8 = "not_utf8"
    MALFORMED = "malformed"
    TOO_DEEP = "too_deep"
    NOT_FINITE = "not_finite"
    WRONG_SHAPE = "wrong_shape"
    MISSING_FIELD = "missing_field"
    NOT_A_NUMBER = "not_a_number"
    UNKNOWN_QUANTITY = "unknown_quantity"
    WRONG_UNIT = "wrong_unit"
    IMPOSSIBLE_VALUE = "impossible_value"
    NOT_UNDERSTOOD = "not_understood"


class Rejection(NamedTuple):
    """One thing that kept a message, or a part of it, from becoming a reading."""

    reason: RejectionReason
    fault: Fault


class Decoded(NamedTuple):
    """What a message gave: its readings, and what of it could not be read.

    Both may hold something: a sensor whose humidity element fails still reports its temperature.
    """

    readings: list[Reading]
    rejections: tuple[Rejection, ...] = ()


def reject(reason: RejectionReason, field: str, found: object, fix: str) -> Rejection:
    """A rejection whose field and value, which may come from the payload, are cut to fit a line."""
    return Rejection(reason, Fault(shown(field), shown(found), fix))


def refused(reason: RejectionReason, field: str, found: object, fix: str) -> Decoded:
    """A message of which nothing could be read."""
    return Decoded([], (reject(reason, field, found, fix),))


def shown(found: object) -> str:
    """A value as a fault prints it: short, and always printable."""
    text = found if isinstance(found, str) else repr(found)
    text = text if text.isprintable() else ascii(text)
    return text if len(text) <= SHOWN_CHARACTERS else f"{text[: SHOWN_CHARACTERS - 1]}…"
