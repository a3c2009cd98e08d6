"""Begins anew where what was known can no longer be believed; what people were told of stays."""

from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

from monitor.alarms.lifecycle import set_back, watched_again
from monitor.core.state import Afresh, CoreState, Effects
from monitor.model.event import EventKind, NewEvent

MOMENTS_FROM_S = 1e9  # numbers above this are epoch seconds, and no other number is so large
T = TypeVar("T")


def begun_anew(empty: CoreState, before: CoreState, given: Afresh) -> tuple[CoreState, Effects]:
    """The state of an empty shop with the alarms, warnings and looks ahead of `before`; said in the record.

    Air, bodies, clocks and what was learnt of the sensors are not taken over: all of them are derived again
    from what is stored; the dangers last seen stay until then. Where the time before lay ahead, what it left
    is moved back by as much.
    """
    lag_s = max(before.time_s - given.now_s, 0.0)
    state = replace(
        empty,
        order=given.order,
        store=given.store,
        book=watched_again(set_back(before.book, given.now_s)),
        groups=moved_back(before.groups, lag_s),
        courses=moved_back(before.courses, lag_s),
        service=before.service,
        shifts=before.shifts,
        actions=before.actions,
        clouds=before.clouds,
        memory=before.memory,
        since=moved_back(before.since, lag_s),  # a danger that was seen stands until it is unsaid
    )
    event = NewEvent(
        EventKind.SERVICE_ANEW,
        "service",
        given.now_s,
        "dryshift",
        {"from_s": before.time_s, "to_s": given.now_s, "order": before.order, "from_order": given.order},
        given.why,
        f"anew/{before.time_s:.3f}/{given.now_s:.3f}",
    )
    return state, Effects(events=(event,))


def moved_back(value: T, lag_s: float) -> T:
    """The same value with every moment in it earlier by so many seconds."""
    return value if lag_s <= 0.0 else _moved_back(value, lag_s)


def _moved_back(value: Any, lag_s: float) -> Any:
    if isinstance(value, float):
        return value - lag_s if value > MOMENTS_FROM_S else value
    if is_dataclass(value) and not isinstance(value, type):
        return replace(value, **{f.name: _moved_back(getattr(value, f.name), lag_s) for f in fields(value)})
    if isinstance(value, Mapping):
        return {key: _moved_back(one, lag_s) for key, one in value.items()}
    if isinstance(value, tuple):
        parts = [_moved_back(one, lag_s) for one in value]
        return type(value)(*parts) if hasattr(value, "_fields") else tuple(parts)
    return value
