"""How long to wait before trying again what failed."""

from dataclasses import dataclass

_DOUBLINGS = 30  # far past any longest wait


@dataclass(frozen=True, slots=True)
class BackOff:
    """Twice as long after each failure in a row, from `first_s` up to `most_s`, both in seconds."""

    first_s: float
    most_s: float

    def wait_s(self, failures: int, wish_s: float | None = None) -> float:
        """Seconds to wait after `failures` in a row (one or more), or what the other side wishes if longer.

        A wish holds nobody up for longer than `most_s` either.
        """
        doubled_s = self.first_s * 2.0 ** min(max(failures - 1, 0), _DOUBLINGS)
        return min(max(doubled_s, wish_s or 0.0), self.most_s)
