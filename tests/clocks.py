"""A clock for tests."""


class ManualClock:
    """Stands still until it is set; for tests."""

    simulated = True

    def __init__(self, time_s: float = 0.0) -> None:
        self.time_s = time_s

    def now_s(self) -> float:
        """What it was last set to."""
        return self.time_s

    def real_seconds(self, seconds: float) -> float:
        """No waiting."""
        return 0.0 * seconds


class SteadyClock(ManualClock):
    """One whose seconds are as long as real ones."""

    def real_seconds(self, seconds: float) -> float:
        """The same."""
        return seconds
