"""What the pages of a bookkeeper's yard are given: its stores, keeper and picture; nobody answers alarms."""

from collections.abc import Callable
from typing import Any

from monitor.web.frame.deps import Answered, WebDeps
from tests.bookkeeper.yard import Yard


def deps_of(yard: Yard, clock: Callable[[], float] | None = None, **more: Any) -> WebDeps:
    """Without a clock the pages keep to what was judged; people choose their names, as in the demo."""
    web = yard.settings.web.model_copy(update={"log_in": "names"})
    now_s = clock or (lambda: yard.loop.state.time_s)
    fields: dict[str, Any] = {"shift_spans": lambda *_: (), **more}
    return WebDeps(
        settings=yard.settings.model_copy(update={"web": web}),
        declared=yard.keeper.deriver.declared,
        history=yard.keeper.things,
        series=yard.series,
        ledger=yard.ledger,
        snapshot=yard.loop.snapshot,
        operate=lambda *_: Answered(False, "nobody is asked here"),
        record=lambda event: yard.keeper.record(event, now_s()),
        clock=now_s,
        key=b"a key for tests only, 32 bytes!!",
        **fields,
    )
