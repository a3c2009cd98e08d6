"""The outlook as it was told, by what was stored then: shifts from the record, hours from the series."""

from collections.abc import Collection, Iterable, Sequence

from monitor.history.unknown_hours import HOUR_S
from monitor.model.event import Event
from monitor.model.reading import Quantity, SeriesKey
from monitor.model.shift_span import ShiftSpan
from monitor.outlook.warning import SCORED, Score, WarningOutcome
from monitor.report.chart import Window
from monitor.report.zone_series import coarser
from monitor.store.contract import Bucket, SeriesStore

SCORED_BY_S = 36 * HOUR_S  # after its end a shift is scored within a day, and looked at once an hour
DEW_POINT = (Quantity.DEW_POINT_TOLD_LOW, Quantity.DEW_POINT_TOLD, Quantity.DEW_POINT_TOLD_HIGH)
MARGIN = (Quantity.MARGIN_TOLD_LOW, Quantity.MARGIN_TOLD, Quantity.MARGIN_TOLD_HIGH)


def told_shifts(events: Iterable[Event]) -> dict[str, Score]:
    """How shifts came out beside what was told of them, by shift, from the events of the plan."""
    return {one.subject: _score(one) for one in events if one.body.get("entry") == SCORED}


def _score(event: Event) -> Score:
    body = event.body
    start_s, end_s = (_number(body.get(name)) or 0.0 for name in ("start_s", "end_s"))
    return Score(
        ShiftSpan(event.subject, str(body.get("site", "")), str(body.get("name", "")), start_s, end_s),
        next((one for one in WarningOutcome if one == body.get("outcome")), WarningOutcome.NOT_KNOWN),
        _number(body.get("lead_s")),
        body.get("withdrawn") is True,
        shown_frac=_number(body.get("shown_frac")),
    )


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def told_words(score: Score | None) -> str:
    """In a few words whether a shift was told of, and what it came to."""
    if score is None:
        return "not scored"
    match score.outcome:
        case WarningOutcome.MISS:
            return "missed: warning taken back, came humid" if score.withdrawn else "missed: came humid"
        case WarningOutcome.HIT:
            return "told, came humid"
        case WarningOutcome.FALSE_ALARM:
            return "told, stayed dry"
        case WarningOutcome.QUIET:
            return "no warning, stayed dry"
        case WarningOutcome.NOT_KNOWN:
            return "not known: too little was measured"


def told_line(
    store: SeriesStore,
    known: Collection[SeriesKey],
    of: tuple[str, str],
    quantities: Sequence[Quantity],
    window: Window,
) -> list[Bucket]:
    """What was foretold of a zone or body (zone, source), by hour; minimum to maximum held nine in ten."""
    low, middle, high = (
        {b.start_s: b for b in store.buckets(key, window.start_s, window.end_s, window.width_s)}
        if (key := SeriesKey(*of, quantity)) in known
        else {}
        for quantity in quantities
    )
    return [
        bucket._replace(minimum=low[start_s].mean, maximum=high[start_s].mean)
        for start_s, bucket in middle.items()
        if start_s in low and start_s in high
    ]


def within(told: Sequence[Bucket], came: Sequence[Bucket]) -> tuple[int, int]:
    """In how many hours the measured mean lay between the ends told, of those told and measured."""
    measured = {bucket.start_s // HOUR_S: bucket.mean for bucket in coarser(came, HOUR_S)}
    known = [(one, measured[hour]) for one in told if (hour := one.start_s // HOUR_S) in measured]
    return sum(one.minimum <= value <= one.maximum for one, value in known), len(known)
