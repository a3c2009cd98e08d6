"""Says at which sites people are at work, and where they are about to leave for a rest."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from monitor.core.shop import RestRules, Shop
from monitor.model.shift_span import ShiftSpan
from monitor.outlook.shifts import comes_back, upcoming

HOUR_S = 3600.0


class Hours(NamedTuple):
    """Sites at work; when work goes on at those about to rest; sites whose coming shifts are not known."""

    at_work: frozenset[str]
    back_s: Mapping[str, float]
    unknown: frozenset[str]


def hours(shop: Shop, now_s: float) -> Hours:
    """A site rests only until a shift that is known to come: one without any counts as at work.

    So does one whose calendar has run out or cannot be read: silence is no permission to say nothing.
    """
    planned, rest = shop.shifts.sites, shop.rest
    spans = upcoming(shop.shifts, now_s, rest.look_h * HOUR_S)
    at_work, back_s = {zone.site for zone in shop.zones.values()} - planned, {}
    unknown = set(shop.shifts.unread)
    for site in sorted(planned):
        own = [span for span in spans if span.site == site]
        if not any(span.start_s > now_s for span in own) and not comes_back(shop.shifts, site, now_s):
            unknown.add(site)
        if own and own[0].start_s <= now_s + rest.before_shift_h * HOUR_S:
            at_work.add(site)
            end_s, next_s = _stretch(own, rest)
            if end_s - now_s <= rest.leaving_h * HOUR_S:
                back_s[site] = next_s
    return Hours(frozenset(at_work | unknown), back_s, frozenset(unknown))


def _stretch(spans: Sequence[ShiftSpan], rest: RestRules) -> tuple[float, float]:
    """When the running stretch of work ends and the next one begins (far off where none is known)."""
    end_s = spans[0].end_s
    for span in spans[1:]:
        if span.start_s - end_s > rest.break_h * HOUR_S:
            return end_s, span.start_s
        end_s = max(end_s, span.end_s)
    return end_s, end_s + rest.look_h * HOUR_S
