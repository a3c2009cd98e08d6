"""When a humid shift ahead may be told."""

from datetime import time
from typing import Annotated, Self

from pydantic import Field, model_validator

from monitor.model.section import PositiveS, Section


class WarningTimes(Section):
    """When the warning of a humid shift ahead may reach a phone."""

    not_before: time = time(6, 0)
    not_after: time = time(21, 0)
    min_lead_s: PositiveS = 4 * 3600.0
    horizon_s: PositiveS = 48 * 3600.0
    # Measured: in an open attic, told 8 h ahead or more, 0.2 finds 96 % of the humid shifts (README).
    probability: Annotated[float, Field(gt=0, lt=1)] = 0.2
    look_every_s: Annotated[float, Field(ge=600)] = 3_600.0

    @model_validator(mode="after")
    def _hours_are_in_order(self) -> Self:
        if self.not_before >= self.not_after:
            raise ValueError(
                f"not_after {self.not_after:%H:%M} is not after not_before {self.not_before:%H:%M}: nobody "
                "would ever be warned; write the hours of a day in order, such as 06:00:00 and 21:00:00"
            )
        return self
