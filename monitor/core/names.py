"""Gives the coming shifts their names in the words of a site."""

from dataclasses import replace
from datetime import datetime

from monitor.alarms.wording import WEEKDAYS, Wording
from monitor.core.shop import Shop
from monitor.core.state import CoreState


def wording_of(shop: Shop, state: CoreState, site: str) -> Wording:
    """The site's wording, which also knows the shifts that are foreseen."""
    wording = shop.wordings[site]
    named = {
        shift.id: f"{shift.name.capitalize()} shift {wording.text(WEEKDAYS[day.weekday()])} "
        f"{wording.clock(day)}"
        for shift in state.shifts
        if shift.site == site
        for day in (datetime.fromtimestamp(shift.start_s, wording.zone),)
    }
    return replace(wording, names={**wording.names, **named}) if named else wording
