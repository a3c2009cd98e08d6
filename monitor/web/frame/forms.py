"""Reads a posted form into a checked model, or says what is wrong with it."""

from collections.abc import Sequence
from typing import Annotated, TypeVar, get_origin
from urllib.parse import quote

from fastapi import Request
from fastapi.responses import Response
from pydantic import BaseModel, Field, ValidationError

from monitor.model.errors import Fault, InputError
from monitor.web.frame.guard import TOKEN_FIELD, session_of, token_holds
from monitor.web.frame.page import WHO_COOKIE, Pages
from monitor.web.frame.problems import faults_of

Form = TypeVar("Form", bound=BaseModel)
# Seconds between the tap and its arrival: a tap waits on a phone for a week at most.
Ago = Annotated[float, Field(ge=0, le=604_800)]
TapId = Annotated[str, Field(pattern="^([0-9a-f]{32})?$")]  # the same in every try of one tap


class FormRefusedError(InputError):
    """A form that changes nothing; carries every fault found."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        super().__init__(faults)


async def read_form(web: Pages, request: Request, model: type[Form]) -> Form:
    """The form's fields as `model`; empty fields count as not given."""
    data = await request.form(max_files=0, max_fields=300)
    token = str(data.get(TOKEN_FIELD, ""))
    if not token_holds(web.deps.key, session_of(request), token):
        raise FormRefusedError(
            [
                Fault(
                    "form",
                    "an old or foreign form",
                    "the page was open for too long; send it again from here",
                )
            ]
        )
    fields: dict[str, object] = {
        name: str(value) for name, value in data.items() if name != TOKEN_FIELD and str(value).strip()
    }
    for name, field in model.model_fields.items():
        if get_origin(field.annotation) is tuple:
            fields[name] = tuple(str(value) for value in data.getlist(name))
    try:
        return model.model_validate(fields)
    except ValidationError as error:
        raise FormRefusedError(faults_of(error.errors(include_url=False))) from error


def remember_who(response: Response, who: str) -> None:
    """So that the next answer from this phone is one tap."""
    remember(response, WHO_COOKIE, who)


def remember(response: Response, cookie: str, value: str) -> None:
    """So that the next form from this phone has it filled in; an empty value is remembered too."""
    response.set_cookie(
        cookie, quote(value, safe=""), max_age=31_536_000, httponly=True, samesite="lax", path="/"
    )
