"""A table as a file to take away, in the decimals and with the mark that were asked for, else the shop's."""

from collections.abc import Iterable, Sequence

from fastapi import HTTPException, Request
from fastapi.responses import Response

from monitor.report.csv_text import csv_text
from monitor.web.frame.page import Web

_MARKS = {"yes": True, "no": False}
_DECIMALS = {"comma": True, "point": False}


def csv_asked(web: Web, request: Request) -> dict[str, bool]:
    """How numbers and text are written: the query's `decimal` and `mark`, else as the settings say."""
    shop = web.deps.settings.web
    decimal = request.query_params.get("decimal", shop.csv_decimal)
    mark = request.query_params.get("mark", "yes" if shop.csv_mark else "no")
    if decimal not in _DECIMALS or mark not in _MARKS:
        raise HTTPException(422, "decimal is point or comma, and mark is yes or no.")
    return {"comma": _DECIMALS[decimal], "mark": _MARKS[mark]}


def csv_file(
    web: Web, request: Request, name: str, columns: Sequence[str], rows: Iterable[Sequence[str]]
) -> Response:
    """One table as `name`."""
    return attachment(csv_text(columns, rows, **csv_asked(web, request)), name, "text/csv; charset=utf-8")


def attachment(content: bytes, name: str, media_type: str) -> Response:
    """Something to save rather than to show."""
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type=media_type, headers=headers)
