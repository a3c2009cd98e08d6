"""One shift on one day."""

from typing import NamedTuple


class ShiftSpan(NamedTuple):
    """One shift on one day; the id stays the same however often it is computed."""

    id: str
    site: str
    name: str
    start_s: float
    end_s: float
