"""Reads what another machine wishes us to wait; it may wish for anything and decides nothing."""

import re
from datetime import UTC
from email.utils import parsedate_to_datetime

MOST_S = 86_400.0
_SECONDS = re.compile(r"[0-9]+(\.[0-9]*)?", re.ASCII)


def wish_s(header: str | None, now_s: float) -> float | None:
    """A header that is a number of seconds or a date (RFC 9110 10.2.3), as seconds from now, 0…86 400.

    None where it is neither, or lies in the past. Whoever waits has a bound of its own.
    """
    said = (header or "").strip()[:64]  # a number as long as this is at its bound anyway
    if _SECONDS.fullmatch(said):
        return min(float(said), MOST_S)
    try:
        moment = parsedate_to_datetime(said)
        after_s = (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp() - now_s
    except (ValueError, TypeError, OverflowError, IndexError):
        return None
    return min(after_s, MOST_S) if after_s >= 0.0 else None
