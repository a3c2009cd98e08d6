"""Whether the series store is the one whose readings were judged, or another in its place."""

from monitor.core.state import CoreState
from monitor.store.contract import SeriesStore

RECENT_S = 86_400.0  # a beginning anew works through so much: sensors and steel remember little of more


def other_store(series: SeriesStore, state: CoreState) -> str:
    """What shows that the readings stored are not those that were judged; "" where nothing does."""
    if state.store not in (0, series.identity()):
        return "the series store is another one than before"
    if state.order <= 0:
        return ""
    found = series.readings_after(state.order - 1, 1)
    if found and found[0].order == state.order:
        same = state.judged_s in (0.0, found[0].reading.time_s)
        return "" if same else "the series store holds other readings than those judged before"
    last_order = series.last_order()
    if last_order < state.order:
        return f"the series store is older than the checkpoint: {state.order - last_order} readings less"
    away = series.unreadable(state.judged_s, state.judged_s + 1.0)  # then it may lie in a month's file
    if not away and state.judged_s > state.time_s - RECENT_S:  # so early no retention drops it
        return "the series store has lost the reading judged last"
    return ""
