"""Reads shift calendars from a file or an address, and keeps the last good one."""

from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.model.errors import Fault, InputError
from monitor.outlook.shifts import ShiftCalendar, calendar_from_text
from monitor.weather.fetch import Fetcher, FetchState

LEAST_INTERVAL_S = 3_600.0
REMOTE = ("https://", "http://", "webcal://")


def read_calendar(source: str, site: str, zone: ZoneInfo, fetcher: Fetcher, now_s: float) -> ShiftCalendar:
    """The calendar at `source`; raises InputError where there is none to be had."""
    if not source.startswith(REMOTE):
        return calendar_of_file(source, site, zone)
    url = source.replace("webcal://", "https://", 1)
    fetched = fetcher.get(url, now_s, LEAST_INTERVAL_S, "text/calendar")
    if fetched.state is FetchState.MISSING:
        raise InputError([Fault(f"calendars of {site}", source, f"cannot be fetched: {fetched.reason}")])
    try:
        calendar = calendar_from_text(fetched.body.decode("utf-8", "replace"), site=site, zone=zone)
    except InputError:
        earlier = fetcher.spoiled(url, now_s, LEAST_INTERVAL_S)
        if earlier is None:
            raise
        return calendar_from_text(earlier.decode("utf-8", "replace"), site=site, zone=zone)
    fetcher.accept(url, fetched.body)
    return calendar


def calendar_of_file(source: str, site: str, zone: ZoneInfo) -> ShiftCalendar:
    """The calendar in a file; raises InputError where it is none."""
    try:
        text = Path(source).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError([Fault("calendars.source", source, f"cannot be read: {error}")]) from error
    return calendar_from_text(text, site=site, zone=zone)
