"""Keeps the shift calendars of a shop up to date: read at the start, looked at again every hour."""

import logging

from monitor.model.errors import InputError
from monitor.model.picture import Part
from monitor.outlook.shifts import ShiftCalendar, ShiftPlan, comes_back
from monitor.settings.schema import Calendar, Settings
from monitor.weather.calendar_source import REMOTE, read_calendar
from monitor.weather.fetch import Fetcher

log = logging.getLogger(__name__)

CACHE = "calendars"


class Calendars:
    """Every calendar of the settings as last read; what cannot be read now stays as it was."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._zones = {site.id: site.tz for site in settings.sites}
        self._fetcher = Fetcher(settings.service.data_dir / CACHE, "dryshift")
        self._known: dict[Calendar, ShiftCalendar] = {}
        self._faults: dict[Calendar, str] = {}
        self._read_s = 0.0

    def read(self, now_s: float, *, strictly: bool = False) -> tuple[ShiftCalendar, ...]:
        """Look again; one that has not changed is the same object as before.

        Strictly: raises InputError where a file cannot be read. An address that does not answer never stops
        a start: the calendar is then missing, and the page says so.
        """
        self._read_s = now_s
        for calendar in self._settings.calendars:
            try:
                zone = self._zones[calendar.site]
                found = read_calendar(calendar.source, calendar.site, zone, self._fetcher, now_s)
            except InputError as error:
                if strictly and not calendar.source.startswith(REMOTE):
                    raise
                self._faults[calendar] = "; ".join(str(fault) for fault in error.faults)
                log.warning("a calendar cannot be read: %s", self._faults[calendar])
                continue
            self._faults.pop(calendar, None)
            before = self._known.get(calendar)
            if before is None or before.content.to_ical() != found.content.to_ical():
                self._known[calendar] = found
        return tuple(self._known.values())

    def parts(self) -> list[Part]:
        """How each calendar stands."""
        found = []
        for calendar in self._settings.calendars:
            fault = self._faults.get(calendar)
            said = "read" if fault is None else fault
            if fault is not None:
                kept = calendar in self._known
                said += "; what it said before holds" if kept else "; its shifts are not known"
            elif not comes_back(ShiftPlan(calendars=(self._known[calendar],)), calendar.site, self._read_s):
                fault = said = "read, but it has run out: it names no shift to come; renew it"
            found.append(Part(f"calendar {calendar.site}", fault is None, said))
        return found
