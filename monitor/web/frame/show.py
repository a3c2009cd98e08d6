"""Turns inside numbers and times into what people read: units and time zone by setting."""

import math
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.model.odds import odds_text
from monitor.model.reading import Quantity
from monitor.model.shop_units import GRAINS_PER_G, degrees, in_shop_units, span
from monitor.report.local_days import DAYS, MONTHS, day_and_clock
from monitor.report.sheet import Writing
from monitor.settings.schema import Settings

NOTHING = "–"
_NBSP = "\N{NO-BREAK SPACE}"  # a number and its unit stay on one line
MINUTE_S, HOUR_S, DAY_S = 60.0, 3_600.0, 86_400.0


@dataclass(frozen=True, slots=True)
class Show:
    """The shop's way of writing numbers and times."""

    settings: Settings

    @property
    def degree(self) -> str:
        """The unit of temperatures."""
        return f"°{self.settings.web.temperature_unit}"

    @property
    def fahrenheit(self) -> bool:
        """Whether temperatures are read in °F."""
        return self.settings.web.temperature_unit == "F"

    @property
    def us(self) -> bool:
        """Whether lengths, pressures and flows are asked for and shown in US units too."""
        return self.settings.web.units == "us"

    def told(self, text: str) -> str:
        """A sentence with the shop's own units beside the metric ones."""
        return in_shop_units(text, fahrenheit=self.fahrenheit, us=self.us)

    def degrees(self, value_c: float) -> float:
        """A temperature in the shop's unit."""
        return degrees(value_c, fahrenheit=self.fahrenheit)

    def spread(self, value_k: float) -> float:
        """A difference of temperatures in the shop's unit."""
        return span(value_k, fahrenheit=self.fahrenheit)

    def temperature(self, value_c: float | None) -> str:
        """Such as "14.1 °C"."""
        return NOTHING if _absent(value_c) else f"{_signed(self.degrees(value_c or 0.0))}{_NBSP}{self.degree}"

    def difference(self, value_k: float | None) -> str:
        """The size of a difference, such as "2.1 °C"."""
        return NOTHING if _absent(value_k) else f"{abs(self.spread(value_k or 0.0)):.1f}{_NBSP}{self.degree}"

    def margin(self, value_k: float | None) -> str:
        """Where a surface stands against the dew point, in words."""
        if _absent(value_k):
            return "margin not known"
        value_k = value_k or 0.0
        if abs(self.spread(value_k)) < 0.05:
            return "at the dew point"
        return f"{self.difference(value_k)} {'above' if value_k > 0 else 'below'} dew point"

    def writing(self) -> Writing:
        """The same for what the record writes too."""
        return Writing(self.zone_of(), self.fahrenheit)

    def water(self, ratio_kgkg: float) -> str:
        """Water in dry air, such as "8.5", in the unit of `water_unit`."""
        return f"{(GRAINS_PER_G if self.us else 1.0) * 1_000.0 * ratio_kgkg:.{0 if self.us else 1}f}"

    @property
    def water_unit(self) -> str:
        """The unit of water in dry air."""
        return "gr/lb dry air" if self.us else "g/kg dry air"

    def humidity(self, value_frac: float | None) -> str:
        """Such as "82 %RH"."""
        return f"{self.percent(value_frac)}RH" if not _absent(value_frac) else NOTHING

    def percent(self, value_frac: float | None) -> str:
        """Such as "82 %"."""
        return NOTHING if _absent(value_frac) else f"{100 * (value_frac or 0.0):.0f}{_NBSP}%"

    def odds(self, value_frac: float | None) -> str:
        """A forecast's chance, as messages say it."""
        return NOTHING if value_frac is None or _absent(value_frac) else odds_text(value_frac)

    def quantity(self, quantity: Quantity, value: float) -> str:
        """A measured number with its name."""
        words = quantity.value.rpartition("_")[0].replace("_", " ")
        if quantity.value.endswith("_c"):
            return f"{words} {self.temperature(value)}"
        if quantity.value.endswith("_pa"):
            return f"{words} {value / 100:.1f} hPa"
        return f"{words} {self.percent(value)}"

    def duration(self, seconds: float) -> str:
        """Such as "25 min", "3 h 10 min" or "2 days"."""
        minutes = max(0, round(seconds / MINUTE_S))
        if minutes < 1:
            return "less than a minute"
        if minutes < 60:
            return f"{minutes}{_NBSP}min"
        if minutes < 24 * 60:
            hours, rest = divmod(minutes, 60)
            return (
                f"{hours}{_NBSP}h {rest}{_NBSP}min"
                if rest and hours < 10
                else f"{round(minutes / 60)}{_NBSP}h"
            )
        days = round(minutes / 1440)
        return "1 day" if days == 1 else f"{days} days"

    def hours(self, hours: float | None) -> str:
        """A stretch given in hours, such as "1.5 h"."""
        if _absent(hours):
            return NOTHING
        hours = hours or 0.0
        return f"{hours:.1f}{_NBSP}h" if hours < 100 else f"{hours:.0f}{_NBSP}h"

    def zone_of(self, zone: str = "", site: str = "") -> ZoneInfo:
        """The time zone of a zone's or a site's clocks; the first site's where neither is known."""
        site = next((z.site for z in self.settings.zones if z.id == zone), site)
        return next((s.tz for s in self.settings.sites if s.id == site), self.settings.sites[0].tz)

    def local(self, time_s: float, tz: ZoneInfo | None = None) -> datetime:
        """A moment on the shop's clock."""
        return datetime.fromtimestamp(time_s, tz or self.zone_of())

    def moment(self, time_s: float, now_s: float, tz: ZoneInfo | None = None) -> str:
        """A clock time, with the day where it is not today's: "05:40", "Tue 05:40", "14 Sep 05:40"."""
        then, now = self.local(time_s, tz), self.local(now_s, tz)
        days = (then.date() - now.date()).days
        clock = f"{then:%H:%M}"
        if days == 0:
            return clock
        if -6 <= days <= 6:
            return f"{DAYS[then.weekday()]} {clock}"
        year = "" if then.year == now.year else f" {then.year}"
        return f"{then.day} {MONTHS[then.month - 1]}{year} {clock}"

    def when(self, time_s: float, now_s: float, tz: ZoneInfo | None = None) -> str:
        """A coming or past moment as people say it: "today 22:00", "tomorrow 06:00", "Thu 06:00"."""
        then, now = self.local(time_s, tz), self.local(now_s, tz)
        word = {0: "today", 1: "tomorrow", -1: "yesterday"}.get((then.date() - now.date()).days)
        return f"{word} {then:%H:%M}" if word else self.moment(time_s, now_s, tz)

    def full(self, time_s: float, tz: ZoneInfo | None = None) -> str:
        """Day, date, clock and zone name, for records."""
        then = self.local(time_s, tz)
        day = f"{DAYS[then.weekday()]} {then.day} {MONTHS[then.month - 1]} {then.year}"
        return f"{day} {then:%H:%M:%S} {then.tzname()}"

    def day(self, time_s: float, tz: ZoneInfo | None = None) -> str:
        """Such as "Tue 15 Sep"."""
        return day_and_clock(self.local(time_s, tz)).rpartition(" ")[0]

    def zone_name(self, zone: str) -> str:
        """What people call a zone."""
        return next((z.name for z in self.settings.zones if z.id == zone), zone)

    def site_name(self, site: str) -> str:
        """What people call a site."""
        return next((s.name for s in self.settings.sites if s.id == site), site)


def _absent(value: float | None) -> bool:
    return value is None or not math.isfinite(value)


def _signed(value: float) -> str:
    text = f"{value:.1f}"
    return text.replace("-", "−") if text != "-0.0" else "0.0"
