"""Errors as people and programs read them: an HTML page, or problem details (RFC 9457) below /api."""

from collections.abc import Sequence
from http import HTTPStatus
from typing import Annotated, Any

from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field

from monitor.model.errors import Fault

MEDIA_TYPE = "application/problem+json"


class FaultOut(BaseModel):
    """One thing wrong with the request."""

    field: str
    value: str
    fix: str


class Problem(BaseModel):
    """Problem details, RFC 9457."""

    type: Annotated[str, Field(description="What kind of problem; about:blank means the status says it all")]
    title: str
    status: int
    detail: str = ""
    faults: list[FaultOut] = []


def problem_response(
    status: int, title: str = "", detail: str = "", faults: Sequence[Fault] = ()
) -> JSONResponse:
    """Problem details as a response."""
    body = Problem(
        type="about:blank",
        title=title or HTTPStatus(status).phrase,
        status=status,
        detail=detail,
        faults=[FaultOut(field=f.field, value=f.value, fix=f.fix) for f in faults],
    )
    return JSONResponse(body.model_dump(), status_code=status, media_type=MEDIA_TYPE)


def described(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """What an operation says about its errors in the OpenAPI description."""
    content = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
    return {status: {"description": HTTPStatus(status).phrase, "content": content} for status in statuses}


def faults_of(errors: Sequence[Any]) -> list[Fault]:
    """Validation errors of a request as faults."""
    return [
        Fault(
            ".".join(str(part) for part in error.get("loc", ()) if part not in ("query", "path", "body")),
            repr(error.get("input"))[:80],
            str(error.get("msg", "")).removeprefix("Value error, "),
        )
        for error in errors
    ]
