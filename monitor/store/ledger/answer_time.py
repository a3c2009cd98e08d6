"""Connections to PostgreSQL that end where it says nothing for too long: its driver itself waits for ever."""

from collections.abc import Generator
from functools import cache
from typing import Any, TypeVar

from sqlalchemy import Engine, event

from monitor.clock import monotonic_s

SILENT_S = 60.0  # longer than any step of ours; shorter than the init system waits for a sign of life
T = TypeVar("T")


class AnswersInTime:
    """What a connection has besides: every wait for an answer, a lock or a commit passes here."""

    silent_s = SILENT_S

    def wait(self, gen: Generator[Any, Any, T], *args: Any, **named: Any) -> T:
        """As the driver's own; OperationalError, and the connection shut, where nothing comes in time."""
        driver: Any = super()
        found: T = driver.wait(self._answered(gen), *args, **named)
        return found

    def _answered(self, gen: Generator[Any, Any, T]) -> Generator[Any, Any, T]:
        from psycopg import OperationalError  # only shops on PostgreSQL have the driver

        connection: Any = self
        heard_s = monotonic_s()
        try:
            asked = next(gen)
            while True:
                ready = yield asked
                if ready:
                    heard_s = monotonic_s()
                elif monotonic_s() - heard_s > self.silent_s:
                    connection.pgconn.finish()
                    raise OperationalError(f"it gave no answer for {self.silent_s:g} s")
                asked = gen.send(ready)
        except StopIteration as done:
            found: T = done.value
            return found


@cache
def _connection() -> Any:
    from psycopg import Connection

    return type("AnsweredConnection", (AnswersInTime, Connection), {})


def bound_answers(engine: Engine) -> None:
    """Let an engine of this driver open such connections alone."""
    if engine.dialect.driver == "psycopg":
        event.listen(engine, "do_connect", _connect)


def _connect(_dialect: Any, _record: Any, given: Any, named: Any) -> Any:
    return _connection().connect(*given, **named)
