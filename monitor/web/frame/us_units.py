"""Adds what a shop's own units are to sentences written in metric ones, and takes its numbers back.

Factors: NIST Special Publication 811 (2008), appendix B.8.
"""

import re
from collections.abc import Callable

FT3H_PER_LMIN = 60.0 / 28.316846592  # L in a cubic foot
PSI_PER_BAR = 14.503774
FT_PER_M = 1.0 / 0.3048
IN_PER_MM = 1.0 / 25.4
LB_PER_KG = 1.0 / 0.45359237

_MEASURE = re.compile(
    r"(?P<low>\d+(?:\.\d+)?)(?:(?P<to>-| to )(?P<high>\d+(?:\.\d+)?))?[ \N{NO-BREAK SPACE}]"
    r"(?P<unit>°C|L/min|m/min|bar|mm|kg)(?![\w/³])(?! \()"
)
_US: dict[str, tuple[Callable[[float], float], str, int]] = {
    "L/min": (lambda value: value * FT3H_PER_LMIN, "ft³/h", 0),
    "m/min": (lambda value: value * FT_PER_M, "ft/min", 0),
    "bar": (lambda value: value * PSI_PER_BAR, "psi", 0),
    "mm": (lambda value: value * IN_PER_MM, "in", 2),
    "kg": (lambda value: value * LB_PER_KG, "lb", 1),
}
_FAHRENHEIT: tuple[Callable[[float], float], str, int] = (lambda value: value * 1.8 + 32.0, "°F", 0)


def with_us_units(text: str, *, fahrenheit: bool, us: bool) -> str:
    """The sentence with each measure's own unit behind it; the metric one, by which it was judged, stays."""

    def both(found: re.Match[str]) -> str:
        unit = found["unit"]
        turned = _FAHRENHEIT if unit == "°C" and fahrenheit else _US.get(unit) if us else None
        if turned is None:
            return found[0]
        convert, name, digits = turned
        shown = f"{convert(float(found['low'])):.{digits}f}"
        if found["high"]:
            shown += f"{found['to']}{convert(float(found['high'])):.{digits}f}"
        return f"{found[0]} ({shown}\N{NO-BREAK SPACE}{name})"

    return _MEASURE.sub(both, text)
