"""Writes a table as a CSV file (RFC 4180): one table a file, and nothing that is run."""

import csv
import io
import zipfile
from collections.abc import Iterable, Sequence

from monitor.report.sheet import Sheet

FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")
ABOUT = "about.txt"
_MADE = (1980, 1, 1, 0, 0, 0)  # a file that says the same is the same


def csv_text(
    columns: Sequence[str], rows: Iterable[Sequence[str]], *, comma: bool = False, mark: bool = False
) -> bytes:
    """One table. `comma`: decimal commas, and semicolons between cells; `mark`: begins with UTF-8's mark.

    With decimal commas only the columns change that hold nothing but numbers: a lot called 3.10 stays it.
    """
    cells = [list(map(str, row)) for row in rows]
    if comma:
        width = max((len(row) for row in cells), default=0)
        for n in range(width):
            column = [row for row in cells if len(row) > n and row[n]]
            if all(_is_number(row[n]) for row in column):
                for row in column:
                    row[n] = row[n].replace(".", ",")
    out = io.StringIO()
    writer = csv.writer(out, delimiter=";" if comma else ",", lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([[_plain(cell) for cell in row] for row in cells])
    return out.getvalue().encode("utf-8-sig" if mark else "utf-8")


def csv_archive(sheet: Sheet, *, comma: bool = False, mark: bool = False) -> bytes:
    """A whole sheet: a file for every table, and what is said of all of them beside it."""
    told = [sheet.title, f"made: {sheet.made_at}", f"times in: {sheet.zone}", f"record: {sheet.record_text}"]
    told += [sheet.caution, ""]
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for section in sheet.sections:
            text = csv_text(section.columns, section.rows, comma=comma, mark=mark)
            archive.writestr(zipfile.ZipInfo(f"{section.id}.csv", _MADE), text)
            told += [f"{section.id}.csv: {section.title}", *(f"  {note}" for note in section.notes)]
        archive.writestr(zipfile.ZipInfo(ABOUT, _MADE), "\r\n".join([*told, ""]))
    return out.getvalue()


def _plain(text: str) -> str:
    """Text that a spreadsheet does not take for a formula; numbers stay numbers."""
    if text[:1] not in FORMULA_SIGNS or _is_number(text.replace(",", ".")):
        return text
    return f"'{text}"


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
