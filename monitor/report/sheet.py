"""A sheet is plain data: titled tables of text, which a page prints and CSV files hold."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo

from monitor.model.errors import Fault, InputError
from monitor.model.shop_units import degrees, span
from monitor.report.local_days import day_and_clock_of

NOTHING = ""  # an empty cell: not known
CAUTION = (
    "A record of what was measured and entered. The governing code, the qualified procedure, the maker's "
    "data sheet and the qualified inspector decide."
)


@dataclass(frozen=True, slots=True)
class SheetSection:
    """One table; every cell is text in the shop's units and on the site's clock."""

    id: str
    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Sheet:
    """A whole record: what it is about, when it was made, its tables, whether the chain of events holds."""

    kind: str  # "package" | "lot" | "job" | "week"
    subject: str
    title: str
    made_at: str
    zone: str  # the time zone that all times are in
    sections: tuple[SheetSection, ...]
    record_holds: bool
    record_text: str
    caution: str = CAUTION

    def section(self, name: str) -> SheetSection:
        """A table by its id; InputError lists the known ones."""
        found = next((one for one in self.sections if one.id == name), None)
        if found is None:
            known = ", ".join(one.id for one in self.sections)
            raise InputError([Fault("section", name, f"use one of: {known}")])
        return found


def chosen(section: SheetSection, columns: Sequence[str]) -> SheetSection:
    """The same table with some of its columns, in this order."""
    places = [section.columns.index(name) for name in columns]
    rows = tuple(tuple(row[n] for n in places) for row in section.rows)
    return replace(section, columns=tuple(columns), rows=rows)


@dataclass(frozen=True, slots=True)
class Writing:
    """How a site's sheets write times and temperatures."""

    zone: tzinfo
    fahrenheit: bool = False

    def time(self, time_s: float | None) -> str:
        """A moment with its offset, so that both hours of the night of the clock change are told apart."""
        return (
            NOTHING if time_s is None else datetime.fromtimestamp(time_s, self.zone).isoformat(" ", "seconds")
        )

    def short(self, time_s: float | None) -> str:
        """Day and clock without the year, for a record whose head names the week: "Wed 16 Sep 20:10"."""
        return NOTHING if time_s is None else day_and_clock_of(time_s, self.zone)

    def difference(self, difference_k: float | None) -> str:
        """One decimal with its sign, in the shop's unit."""
        if difference_k is None or difference_k != difference_k:
            return NOTHING
        said = f"{span(difference_k, fahrenheit=self.fahrenheit):+.1f}"
        return "0.0" if said in ("-0.0", "+0.0") else said

    def temperature(self, temperature_c: float | None) -> str:
        """One decimal, in the shop's unit."""
        if temperature_c is None or temperature_c != temperature_c:
            return NOTHING
        return f"{degrees(temperature_c, fahrenheit=self.fahrenheit):.1f}"

    def degrees(self, temperature_c: float) -> float:
        """A temperature in the shop's unit."""
        return degrees(temperature_c, fahrenheit=self.fahrenheit)

    def spread(self, difference_k: float) -> float:
        """A difference of temperatures in the shop's unit."""
        return span(difference_k, fahrenheit=self.fahrenheit)

    @property
    def degree(self) -> str:
        """The unit of temperatures."""
        return "°F" if self.fahrenheit else "°C"

    def percent(self, share_frac: float | None) -> str:
        """Whole percent."""
        return NOTHING if share_frac is None or share_frac != share_frac else f"{share_frac * 100.0:.0f}"

    def hours(self, hours: float | None) -> str:
        """Two decimals: half a minute."""
        return NOTHING if hours is None else f"{hours:.2f}"
