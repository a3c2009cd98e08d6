"""A total time and a total size for everything that one exchange with the outside does."""

import threading
from collections.abc import Callable
from contextvars import ContextVar, Token
from types import TracebackType
from typing import Self, TypeVar

from monitor.clock import monotonic_s

T = TypeVar("T")


class OutOfTimeError(TimeoutError):
    """The exchange has used up its total time."""


class TooMuchError(OSError):
    """The other side has sent more than it may."""


class Ration:
    """Seconds and received bytes that a block may use; every bounded socket in it draws on them.

    A time-out for each read, as sockets have it, lets a receiver that sends a byte now and then hold the
    reader for ever; this one counts for connecting, TLS, header and body together.
    """

    def __init__(self, total_s: float, most_bytes: int) -> None:
        self.total_s = total_s
        self.most_bytes = most_bytes
        self.outwards_only = False  # set for redirects: see `sockets.may_lead_to`
        self.came_from_public = False
        self.spent = ""  # why there is no more, in words
        self._end_s = monotonic_s() + total_s
        self._bytes = 0
        self._token: Token[Ration | None] | None = None

    def __enter__(self) -> Self:
        self._token = _CURRENT.set(self)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._token is not None
        _CURRENT.reset(self._token)

    def left_s(self) -> float:
        """Seconds left, above 0; raises OutOfTimeError where there are none."""
        left_s = self._end_s - monotonic_s()
        if left_s <= 0.0:
            raise self.out_of_time()
        return left_s

    def out_of_time(self) -> OutOfTimeError:
        """The error to raise where a wait came to its end."""
        self.spent = f"took longer than {self.total_s:g} s"
        return OutOfTimeError(self.spent)

    def took(self, count: int) -> None:
        """Bytes that came; raises TooMuchError where they are too many together."""
        self._bytes += count
        if self._bytes > self.most_bytes:
            self.spent = f"sent more than {self.most_bytes} bytes"
            raise TooMuchError(self.spent)


_CURRENT: ContextVar[Ration | None] = ContextVar("ration", default=None)


def current() -> Ration:
    """The ration of the block that runs; a bounded socket is used nowhere else."""
    ration = _CURRENT.get()
    assert ration is not None, "a bounded socket needs `with Ration(…)` around it"
    return ration


def in_time(work: Callable[[], T], name: str) -> T:
    """What `work` returns or raises, or OutOfTimeError: for calls that know no time-out.

    What takes longer is left behind in its thread, so `work` must end by itself some day.
    """
    ration = current()
    found: list[T] = []
    failed: list[BaseException] = []

    def run() -> None:
        try:
            found.append(work())
        except BaseException as error:  # noqa: BLE001  # raised again by who waits
            failed.append(error)

    thread = threading.Thread(target=run, name=name, daemon=True)
    thread.start()
    thread.join(ration.left_s())
    if failed:
        raise failed[0]
    if not found:
        raise ration.out_of_time()
    return found[0]
