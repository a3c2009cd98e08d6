"""What every noun of the settings is made of: a table of fixed names and checked values."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Identifier = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,47}$")]
Fraction = Annotated[float, Field(ge=0.0, le=1.0)]
PositiveS = Annotated[float, Field(gt=0.0)]


class Section(BaseModel):
    """A part of the settings file; unknown names are faults, not ignored."""

    model_config = ConfigDict(extra="forbid", frozen=True)
