"""Reads TOML and says what is wrong with a line in a shop's words, and how it is written right."""

import re
import tomllib
from collections.abc import Callable
from typing import Any, NamedTuple

from monitor.model.errors import Fault

MOST_SLIPS = 20
SECRETS = ("password", "token", "secret", "push_url", "ledger_url")
_SHOWN = 70
_PLACE = re.compile(r"\(at line (\d+), column \d+\)")
_DECIMAL_COMMA = re.compile(r"=\s*([-+]?\d+),(\d+)\s*(#.*)?$")
_TIME = re.compile(r"=\s*(\d{1,2})[:.](\d{2})(?::(\d{2}))?\s*(?:[Uu]hr|h|[ap]\.?m\.?)?\s*(#.*)?$")
_DATE = re.compile(r"=\s*(\d{4}-\d{1,2}-\d|\d{1,2}[./]\d{1,2}[./]\d{2})")
_UNIT = re.compile(r"=\s*[-+]?\d+(?:\.\d+)?\s*([^\d\s#.,:\-]+\S*)\s*(#.*)?$")
_TRUTH = re.compile(r"=\s*(true|false|yes|no|on|off)\s*(#.*)?$", re.IGNORECASE)
_CURLY = re.compile("[“”„‟‘’‚]")
_BARE = re.compile(r"=\s*([^\W\d]\S*(?: +[^\s#=]+)*)\s*(#.*)?$")
_BARE_IN_LIST = re.compile(r"=\s*\[\s*[^\W\d]")
_HEADER = re.compile(r"\s*\[")


class Read(NamedTuple):
    """The tree of a file without slips, or what is wrong with its lines."""

    tree: dict[str, Any]
    faults: tuple[Fault, ...]


class _Slip(NamedTuple):
    line: str
    said: str  # the parser's own words


def read_toml(text: str) -> Read:
    """Parse; a line with a slip is named and left out, so that others are found in the same go."""
    lines, faults = text.split("\n"), list[Fault]()
    while True:
        try:
            tree = tomllib.loads("\n".join(lines))
        except tomllib.TOMLDecodeError as error:
            place = _PLACE.search(str(error))
            if place is None:
                faults.append(Fault("settings file", "its end", f"something is not closed there: {error}"))
                return Read({}, tuple(faults))
            number = int(place[1])
            slip = _Slip(lines[number - 1], _PLACE.sub("", str(error)).strip())
            faults.append(Fault(f"line {number}", _shown(slip.line), _fix(slip)))
            # What follows a broken heading or list would be read as another table's: nothing more is told.
            if (
                _HEADER.match(slip.line)
                or "=" not in slip.line
                or _unclosed(slip)
                or len(faults) >= MOST_SLIPS
            ):
                return Read({}, tuple(faults))
            lines[number - 1] = ""
        else:
            return Read({} if faults else tree, tuple(faults))


def _shown(line: str) -> str:
    name, sign, _ = line.partition("=")
    if sign and any(secret in name for secret in SECRETS):
        return f"{name.strip()} = (a secret)"
    text = line.strip()
    return text if len(text) <= _SHOWN else f"{text[: _SHOWN - 1]}…"


def _fix(slip: _Slip) -> str:
    return next((said for rule in _RULES if (said := rule(slip))), f"cannot be read: {slip.said}")


def _unclosed(slip: _Slip) -> str:
    if not slip.said.startswith("Unclosed"):
        return ""
    return "comes while a list or a table in braces above it is still open; close that with ] or }"


def _curly(slip: _Slip) -> str:
    return 'has curly quotes; write straight ones: "…"' if _CURLY.search(slip.line) else ""


def _twice(slip: _Slip) -> str:
    if "Cannot declare" in slip.said:
        name = slip.line.strip().strip("[]")
        return f"begins a table that is there already; where there are several, write [[{name}]] above each"
    if "Cannot overwrite" in slip.said:
        return "is set twice in the same table; keep one, or begin the next table with its [[…]] line"
    return ""


def _heading(slip: _Slip) -> str:
    if not _HEADER.match(slip.line) or "=" in slip.line:
        return ""
    return "is not a whole heading; write [service] for a table, [[zones]] for one of several"


def _equals(slip: _Slip) -> str:
    if not slip.line.strip() or "=" in slip.line:
        return ""
    return "needs an equals sign between the setting and its value, like tick_s = 10"


def _comma(slip: _Slip) -> str:
    found = _DECIMAL_COMMA.search(slip.line)
    return f"has a decimal comma; write {found[1]}.{found[2]}, with a point" if found else ""


def _time(slip: _Slip) -> str:
    found = _TIME.search(slip.line)
    if not found or ":" not in found[0].partition("#")[0]:
        return ""
    return (
        f"is a time of day written short; write {int(found[1]):02d}:{found[2]}:{found[3] or '00'}, "
        "two digits each, with seconds, without quotes"
    )


def _date(slip: _Slip) -> str:
    if not _DATE.search(slip.line):
        return ""
    return (
        "is a date or moment written otherwise; write 2026-09-07 or 2026-09-07T06:15:00+01:00, without quotes"
    )


def _truth(slip: _Slip) -> str:
    found = _TRUTH.search(slip.line)
    return f"write true or false, in small letters and without quotes, not {found[1]}" if found else ""


def _unit(slip: _Slip) -> str:
    found = _UNIT.search(slip.line)
    return f"write the number alone, without {found[1]}: the setting's name says its unit" if found else ""


def _backslash(slip: _Slip) -> str:
    said = "escape" in slip.said.lower() or "hex" in slip.said.lower()
    return "has a backslash; write / instead, or put the text into single quotes" if said else ""


def _quote(slip: _Slip) -> str:
    if slip.line.replace('\\"', "").partition("#")[0].count('"') % 2 == 0:
        return ""
    return 'has a text with a quote at one end only; write it at both, like name = "Early"'


def _bare_list(slip: _Slip) -> str:
    if not _BARE_IN_LIST.search(slip.line):
        return ""
    return 'needs quotes around each text of the list, like ["mon", "tue"]'


def _bare(slip: _Slip) -> str:
    found = _BARE.search(slip.line)
    return f'needs quotes around its text: "{found[1].strip()}"' if found else ""


def _empty(slip: _Slip) -> str:
    value = slip.line.partition("=")[2].partition("#")[0].strip()
    return "" if value else "has no value; write one, or remove the line"


_RULES: tuple[Callable[[_Slip], str], ...] = (
    _unclosed,
    _curly,
    _twice,
    _heading,
    _equals,
    _comma,
    _time,
    _date,
    _truth,
    _unit,
    _backslash,
    _quote,
    _bare_list,
    _bare,
    _empty,
)
