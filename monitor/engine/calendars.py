"""Keeps the shift calendars of a shop up to date: known from before, read after the start and every hour."""

import logging
import threading
from collections.abc import Callable

from monitor.model.errors import InputError
from monitor.model.picture import Part
from monitor.outlook.shifts import ShiftCalendar, ShiftPlan, comes_back
from monitor.settings.schema import Calendar, Settings
from monitor.weather.calendar_memory import CalendarMemory
from monitor.weather.calendar_source import REMOTE, CalendarPlace, calendar_file, read_calendar
from monitor.weather.fetch import Fetcher

log = logging.getLogger(__name__)

CACHE = "calendars"
EVERY_S = 3_600.0
STOP_WAIT_S = 0.5  # what is still being read is left behind: it changes nothing any more


class Calendars:
    """Every calendar of the settings as last read; what cannot be read now stays as it was."""

    def __init__(self, settings: Settings) -> None:
        zones = {site.id: site.tz for site in settings.sites}
        self._settings = settings
        self._places = {
            one: CalendarPlace(one.source, one.site, zones[one.site]) for one in settings.calendars
        }
        self._fetcher = Fetcher(settings.service.data_dir / CACHE, "dryshift")
        self._memory = CalendarMemory(settings.service.data_dir / CACHE)
        self._known: dict[Calendar, ShiftCalendar] = {}
        self._faults: dict[Calendar, str] = {}
        self._read_s = 0.0
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def known(self, now_s: float) -> tuple[ShiftCalendar, ...]:
        """What they said before the start: nothing is fetched or unrolled, so nothing can hold it up.

        Raises InputError where a file of the settings is not there.
        """
        self._read_s = now_s
        for calendar, place in self._places.items():
            if not place.source.startswith(REMOTE):
                calendar_file(place)
            kept = self._memory.kept(place, now_s)
            if kept is not None:
                self._known[calendar] = kept
        return tuple(self._known.values())

    def read(self, now_s: float) -> tuple[ShiftCalendar, ...]:
        """Look again; one that has not changed is the same object as before.

        One that cannot be read is a fault that the page says: its site then counts as at work.
        """
        self._read_s = now_s
        for calendar, place in self._places.items():
            before = self._known.get(calendar)
            try:
                found = read_calendar(place, self._fetcher, now_s, before)
            except InputError as error:
                self._faults[calendar] = "; ".join(str(fault) for fault in error.faults)
                log.warning("a calendar cannot be read: %s", self._faults[calendar])
                continue
            self._faults.pop(calendar, None)
            self._known[calendar] = found
            if found is not before:
                self._memory.keep(place, found)
        return tuple(self._known.values())

    def start(self, now_s: Callable[[], float], changed: Callable[[tuple[ShiftCalendar, ...]], None]) -> None:
        """Read now and every hour, in a thread of its own; `changed` is told what they say now."""
        if self._places:
            self._thread = threading.Thread(
                target=self._go_on, args=(now_s, changed), name="calendars", daemon=True
            )
            self._thread.start()

    def stop(self) -> None:
        """Read no more, and change nothing any more."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(STOP_WAIT_S)

    def _go_on(
        self, now_s: Callable[[], float], changed: Callable[[tuple[ShiftCalendar, ...]], None]
    ) -> None:
        first = True
        while not self._stopping.wait(0.0 if first else EVERY_S):
            first = False
            try:
                found = self.read(now_s())
                if not self._stopping.is_set():
                    changed(found)
            except Exception:  # loop border: the next turn may be better
                log.exception("the calendars met a defect")

    def parts(self) -> list[Part]:
        """How each calendar stands."""
        return [self._part(calendar) for calendar in self._settings.calendars]

    def _part(self, calendar: Calendar) -> Part:
        name, fault, known = (
            f"calendar {calendar.site}",
            self._faults.get(calendar),
            self._known.get(calendar),
        )
        if fault is not None:
            kept = "its shifts are not known" if known is None else "what it said before holds"
            return Part(name, False, f"{fault}; {kept}")
        if known is None:
            return Part(name, False, "is being read; its shifts are not known yet")
        if not comes_back(ShiftPlan(calendars=(known,)), calendar.site, self._read_s):
            return Part(name, False, "read, but it has run out: it names no shift to come; renew it")
        return Part(name, True, "read")
