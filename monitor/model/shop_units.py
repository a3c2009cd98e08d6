"""The one place where inside units become those a shop reads, and what it enters becomes inside units.

Factors: NIST Special Publication 811 (2008), appendix B.8; °F = 1.8 °C + 32 is exact there.
"""

import re
from collections.abc import Callable
from functools import partial

FT3H_PER_LMIN = 60.0 / 28.316846592  # L in a cubic foot
PSI_PER_BAR = 14.503774
FT_PER_M = 1.0 / 0.3048
IN_PER_MM = 1.0 / 25.4
LB_PER_KG = 1.0 / 0.45359237
GRAINS_PER_G = 7.0  # of water in a pound, or a kilogram, of dry air: 7000 grains are a pound
F_PER_K = 1.8
F_AT_0_C = 32.0


def degrees(value_c: float, *, fahrenheit: bool) -> float:
    """A temperature in the shop's unit."""
    return value_c * F_PER_K + F_AT_0_C if fahrenheit else value_c


def span(value_k: float, *, fahrenheit: bool) -> float:
    """A difference of temperatures, or a rate, in the shop's unit."""
    return value_k * F_PER_K if fahrenheit else value_k


def celsius(value: float, *, fahrenheit: bool) -> float:
    """A temperature as a person entered it, in °C."""
    return (value - F_AT_0_C) / F_PER_K if fahrenheit else value


_NUMBER = r"\d+(?:[.,]\d+)?"
# What follows or goes before a difference of temperatures, which has no zero of its own.
_APART_BEFORE = r"(?:±|within|up to|\bby) ?$"
_APART_AFTER = r" (?:above|below|over|under|colder|warmer|wetter|drier|apart|of sweating|an hour)\b"
_MEASURE = re.compile(
    rf"(?P<sign>(?<![\w.])[-−+])?(?<![\d.,])(?P<low>{_NUMBER})"
    rf"(?:(?P<to>-|–| to )(?P<high>[-−]?{_NUMBER}))?(?P<space>[ \N{{NO-BREAK SPACE}}])"
    r"(?P<unit>°C|K|L/min|m/min|bar|mm|kg)(?![\w/³²])(?! \()"
)
_Turned = tuple[Callable[[float], float], str, int]  # how, the unit it becomes, digits
_DEGREES: _Turned = (partial(degrees, fahrenheit=True), "°F", 0)
_SPAN: _Turned = (partial(span, fahrenheit=True), "°F", 0)
_US: dict[str, _Turned] = {
    "L/min": (lambda value: value * FT3H_PER_LMIN, "ft³/h", 0),
    "m/min": (lambda value: value * FT_PER_M, "ft/min", 0),
    "bar": (lambda value: value * PSI_PER_BAR, "psi", 0),
    "mm": (lambda value: value * IN_PER_MM, "in", 2),
    "kg": (lambda value: value * LB_PER_KG, "lb", 1),
}


def in_shop_units(text: str, *, fahrenheit: bool, us: bool) -> str:
    """The sentence with each measure's own unit behind it; the metric one, by which it was judged, stays.

    Below zero stays below zero, a difference ("3 °C above", "within 3 °C", "1.2 K") gets no zero point, and
    kelvin are said as degrees. A measure that has its unit in brackets behind it is left as it is.
    """

    def both(found: re.Match[str]) -> str:
        unit = found["unit"]
        said = f"{found[0][: -len(unit)]}°C" if unit == "K" else found[0]
        if unit in ("°C", "K"):
            if not fahrenheit:
                return said
            turned = _SPAN if _is_apart(found) else _DEGREES
        elif us:
            turned = _US[unit]
        else:
            return said
        convert, name, digits = turned
        low = f"{found['sign'] or ''}{found['low']}"
        shown = _signed(convert(_read(low)), digits)
        if found["high"]:
            shown += f"{found['to']}{_signed(convert(_read(found['high'])), digits)}"
        return f"{said} ({shown}\N{NO-BREAK SPACE}{name})"

    return _MEASURE.sub(both, text)


def _is_apart(found: re.Match[str]) -> bool:
    text = found.string
    return (
        found["unit"] == "K"
        or re.search(_APART_BEFORE, text[: found.start()]) is not None
        or re.match(_APART_AFTER, text[found.end() :]) is not None
    )


def _read(number: str) -> float:
    return float(number.replace("−", "-").replace(",", "."))


def _signed(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text.replace("-", "−")


# A time of day, not one of a record (with its offset, or in ISO 8601).
_TIME = re.compile(r"(?<![\w:.+−-])([01]\d|2[0-3]):([0-5]\d)(:[0-5]\d)?(?![\d:+−-]|\.\d|\s[ap]m\b)")


def in_clock(text: str, *, twelve: bool) -> str:
    """The sentence with its times of day on a clock of twelve hours: "05:12" becomes "5:12 am"."""
    return _TIME.sub(_twelve, text) if twelve else text


def _twelve(found: re.Match[str]) -> str:
    hour = int(found[1])
    return f"{hour % 12 or 12}:{found[2]}{found[3] or ''}\N{NO-BREAK SPACE}{'am' if hour < 12 else 'pm'}"
