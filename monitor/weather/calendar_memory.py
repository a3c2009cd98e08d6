"""Keeps what each calendar last said, so that a start knows the shifts before anything is read anew."""

import hashlib
import json
from pathlib import Path

from monitor.outlook.shifts import ShiftCalendar
from monitor.weather.calendar_source import MOST_BYTES, CalendarPlace, calendar_of


class CalendarMemory:
    """One small file for each calendar, written by us and believed only where it is whole."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def keep(self, place: CalendarPlace, calendar: ShiftCalendar) -> None:
        """Remember what it says; on a full disk the next start knows nothing of it, no more."""
        said = {
            "events": calendar.events,
            "days_off": sorted(day.isoformat() for day in calendar.days_off),
            "content": calendar.content,
            "from_s": calendar.from_s,
            "until_s": calendar.until_s,
        }
        file = self._file(place)
        part = file.with_suffix(".part")
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
            part.write_text(json.dumps(said), encoding="utf-8")
            part.replace(file)
        except OSError:
            return

    def kept(self, place: CalendarPlace, now_s: float) -> ShiftCalendar | None:
        """What it said last, where that speaks of now."""
        file = self._file(place)
        try:
            if file.stat().st_size > MOST_BYTES:
                return None
            said = json.loads(file.read_text(encoding="utf-8"))
            found = calendar_of(said, place, float(said["from_s"]), float(said["until_s"]))
        except (OSError, ValueError, TypeError, KeyError):
            return None
        return found if found.from_s <= now_s < found.until_s else None

    def _file(self, place: CalendarPlace) -> Path:
        name = f"{place.source}\n{place.site}\n{place.zone.key}"
        return self._folder / f"{hashlib.sha256(name.encode()).hexdigest()[:32]}.shifts"
