"""Days, months and moments as people write them, on a clock that is given."""

from datetime import datetime, tzinfo

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def day_and_clock(moment: datetime) -> str:
    """A moment that is not near, such as "Wed 9 Sep 06:00"."""
    day = f"{DAYS[moment.weekday()]} {moment.day} {MONTHS[moment.month - 1]}"
    return f"{day} {moment:%H:%M}"


def day_and_clock_of(time_s: float, zone: tzinfo) -> str:
    """The same of a time."""
    return day_and_clock(datetime.fromtimestamp(time_s, zone))
