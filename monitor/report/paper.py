"""Writes a sheet as a PDF on A4 or Letter: vector, searchable, tagged, made to be kept (PDF/A-2a).

The typesetter is an optional library; where it is missing PaperUnavailableError says how to get it.
"""

import importlib
import json
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from html import escape, unescape
from importlib.resources import files
from importlib.util import find_spec
from typing import Any

from monitor.model.errors import DryshiftError
from monitor.report.sheet import Sheet, SheetSection
from monitor.report.speaking import spoken

TYPESETTER = "typst"
HOW_TO_GET_IT = "needs the extra named paper: sh deploy/install.sh paper"
STANDARD = "a-2a"
LETTERS = 140  # of a table's type beside each other on A4; Letter holds a few more
LONGEST_WORD, LONGEST_CELL = 21.0, 66.0
HALF_LINE = 46
FOR_THE_TYPESETTER = frozenset({"language", "paper", "size", "holds", "chart", "beads", "sections", "shop"})
BOLD = 1.15  # how much wider the type of a heading is
WIDE = frozenset("ABCDEFGHJKLMNOPQRSTUVWXYZ%mw±")  # letters a third wider than the others
EXACT = re.compile(r"(\d{4}-\d\d-\d\d \d\d:\d\d):\d\d([+-]\d\d)(?::?00)?\b")  # seconds stand in the CSV
FOLDED = (" least", " mean", " greatest")
SIGNED_BY = (
    "Made by: name, date, signature",
    "Reviewed by: name, date, signature",
    "Inspector: name, date, signature",
)
CAUTIONS = (
    "Compressed gas, hot ovens and welding fume can kill: the governing code, the qualified procedure, the "
    "maker's data sheet and licensed people decide, not this record."
)
VERIFY = (
    "To check the record: dryshift verify SETTINGS --witness NUMBER:HASH, with the number and SHA-256 below, "
    "walks the chain of the ledger and names the first broken link."
)
LEGEND = (
    "Grey: shifts. Black at the foot: readings missing in at least one place. Dotted: limits. The tables "
    "hold the numbers."
)


class PaperSize(StrEnum):
    """Sheets that shops print on."""

    A4 = "a4"
    LETTER = "letter"


TYPE_PT = {PaperSize.A4: 6.4, PaperSize.LETTER: 6.2}  # Letter is lower, and wider


class PaperUnavailableError(DryshiftError):
    """The typesetter is not installed."""

    def __init__(self) -> None:
        super().__init__(f"a PDF {HOW_TO_GET_IT}; any page prints from the browser without it")


@dataclass(frozen=True, slots=True)
class Paper:
    """What is printed: the sheet, whose it is, and the chart as SVG (empty: none)."""

    sheet: Sheet
    shop: str
    size: PaperSize = PaperSize.A4
    chart: str = ""
    undrawn: tuple[str, ...] = ()  # places that the chart leaves out
    beads: str = ""  # beads on open hours and dew point as SVG, where some of the sheet have both
    language: str = "en"
    say: Callable[[str], str] = str  # a sentence in the shop's units, language and clock


def can_print() -> bool:
    """Whether the typesetter is installed."""
    return find_spec(TYPESETTER) is not None


def pdf_of(paper: Paper, made_s: float) -> bytes:
    """The PDF; the same sheet made at the same time gives the same bytes."""
    if not can_print():
        raise PaperUnavailableError
    typst = importlib.import_module(TYPESETTER)
    parts = {
        "main.typ": files(__package__).joinpath("sheet.typ").read_bytes(),
        "sheet.json": json.dumps(_said(_data(paper), paper.say)).encode(),
    }
    if paper.chart:
        parts["chart.svg"] = _drawn(paper.chart, paper.say)
    if paper.beads:
        parts["beads.svg"] = _drawn(paper.beads, paper.say)
    made: bytes = typst.compile(parts, format="pdf", pdf_standards=[STANDARD], timestamp=int(made_s))
    return made


def _said(data: dict[str, Any], say: Callable[[str], str]) -> dict[str, Any]:
    """What is printed, said as the shop reads it; the rest tells the typesetter how."""
    return {name: one if name in FOR_THE_TYPESETTER else spoken(one, say) for name, one in data.items()}


def _drawn(svg: str, say: Callable[[str], str]) -> bytes:
    """A drawing with its words said."""
    return re.sub(
        r"(<text\b[^>]*>)([^<]*)(</text>)", lambda at: at[1] + _word(at[2], say) + at[3], svg
    ).encode()


def _word(word: str, say: Callable[[str], str]) -> str:
    return escape(say(unescape(word)), quote=False)


def _data(paper: Paper) -> dict[str, Any]:
    sheet = paper.sheet
    return {
        "title": sheet.title,
        "shop": paper.shop,
        "language": paper.language.partition("_")[0],
        "paper": {PaperSize.A4: "a4", PaperSize.LETTER: "us-letter"}[paper.size],
        "size": TYPE_PT[paper.size],
        "about": f"{paper.shop}. Times in {sheet.zone}; empty cells are not known or do not apply.",
        "made": f"Made {sheet.made_at}",
        "foot": f"{paper.shop}: {sheet.kind} {sheet.subject}",
        "head": _head(sheet),
        "holds": sheet.record_holds,
        "record_word": "Record" if sheet.record_holds else "THE RECORD DOES NOT HOLD",
        "pages": "1 of 1",
        "record": sheet.record_text,
        "chart": bool(paper.chart),
        "beads": bool(paper.beads),
        "beads_alt": "Beads on open hours and dew point; the table of test beads holds the numbers.",
        "beads_legend": "Circle: sound; cross: porous. Bold: of this record; thin: the shop's other beads. "
        "Dashed: the fit's chance of pores, an association and not a cause.",
        "alt": f"Chart of {sheet.title}: coldest surface, humidity and dew point by place; the tables hold "
        "the numbers.",
        "legend": f"{LEGEND} Not drawn: {', '.join(paper.undrawn)}." if paper.undrawn else LEGEND,
        "sections": [
            _section(_told(_shortened(_folded(one)), paper.say), paper.say("None.")) for one in sheet.sections
        ],
        "closing": [sheet.caution, CAUTIONS, VERIFY],
        "signatures": list(SIGNED_BY),
    }


def _head(sheet: Sheet) -> str:
    """The ledger's newest event, on every page."""
    found = {row[0]: row[1] for one in sheet.sections if one.id == "proof" for row in one.rows}
    return f"Ledger: event {found.get('newest event', '')}, SHA-256 {found.get('its SHA-256', '')}"


def _told(section: SheetSection, say: Callable[[str], str]) -> SheetSection:
    """A table as the shop reads it, before its columns get their widths."""
    said = spoken([section.title, section.columns, section.rows, section.notes], say)
    title, columns, rows, notes = said
    told = replace(section, title=title, columns=tuple(columns), rows=tuple(map(tuple, rows)))
    return replace(told, notes=tuple(notes))


def _section(section: SheetSection, empty: str) -> dict[str, Any]:
    return {
        "title": section.title,
        "columns": list(section.columns),
        "rows": [list(row) for row in section.rows],
        "notes": list(section.notes),
        "pairs": [] if any(section.columns) else _pairs(section.rows),
        "empty": empty,
        "widths": widths(section) if any(section.columns) else [],
    }


def _pairs(rows: Sequence[Sequence[str]]) -> list[tuple[str, str, bool]]:
    """Name, words, and whether they take the whole line: two short ones share a line."""
    found: list[tuple[str, str, bool]] = []
    for name, words in rows:
        wide = len(words) > HALF_LINE
        if wide and sum(1 + one[2] for one in found) % 2:
            found.append(("", "", False))
        found.append((name, words, wide))
    return found


def _folded(section: SheetSection) -> SheetSection:
    """Least, mean and greatest of one thing in one column."""
    columns, places = [], []
    n = 0
    while n < len(section.columns):
        name = section.columns[n].removesuffix(FOLDED[0])
        three = tuple(section.columns[n : n + 3])
        wide = 3 if three == tuple(name + end for end in FOLDED) else 1
        columns.append(f"{name} least / mean / greatest" if wide == 3 else section.columns[n])
        places.append(slice(n, n + wide))
        n += wide
    rows = tuple(tuple(_joined(row[place]) for place in places) for row in section.rows)
    return replace(section, columns=tuple(columns), rows=rows)


def _shortened(section: SheetSection) -> SheetSection:
    """Times to the minute, still with their offset."""
    rows = tuple(tuple(EXACT.sub(r"\1\2", cell) for cell in row) for row in section.rows)
    return replace(section, rows=rows)


def _joined(cells: Sequence[str]) -> str:
    return " / ".join(cell or "–" for cell in cells) if len(cells) > 1 and any(cells) else cells[0]


def widths(section: SheetSection) -> list[float]:
    """A share for each column: all of its text where there is room, else its longest word and some more."""
    heads = [BOLD * max((_wide(word) for word in name.split()), default=0.0) for name in section.columns]
    cells = [max((_wide(row[n]) for row in section.rows), default=0.0) for n in range(len(heads))]
    least = [max(head, min(cell, LONGEST_WORD)) + 1.5 for head, cell in zip(heads, cells, strict=True)]
    wanted = [max(one, min(cell, LONGEST_CELL) + 1.5) for one, cell in zip(least, cells, strict=True)]
    if sum(wanted) <= LETTERS:
        return wanted
    more = sum(wanted) - sum(least)
    share = max(0.0, LETTERS - sum(least)) / more if more > 0.0 else 0.0
    return [one + share * (w - one) for w, one in zip(wanted, least, strict=True)]


def _wide(words: str) -> float:
    """How wide some words are, in ordinary letters."""
    return len(words) + 0.35 * sum(letter in WIDE for letter in words)
