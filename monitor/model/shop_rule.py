"""The shop's own procedure for a class of consumables."""

from typing import Annotated

from pydantic import Field

from monitor.model.section import Identifier, Section

Hours = Annotated[float, Field(gt=0, le=10_000)]


class ProvedHours(Section):
    """Longer hours proved by a test of this maker's product (column B), with the air of the test."""

    limit_h: Hours
    temperature_c: Annotated[float, Field(ge=0, le=60)]
    rh_frac: Annotated[float, Field(gt=0, le=1)]
    document: Annotated[str, Field(min_length=1)]


class ShopRule(Section):
    """What a shop's own procedure says about a class; absent entries leave the code as it is."""

    limit_h: Hours | None = None
    reason: str = ""  # in writing, where the shop's hours are looser than the code's
    document: str = ""  # the procedure's name or number
    tested: ProvedHours | None = None
    hold_restarts_clock: bool | None = None
    redry_permission: str = ""  # the maker's written word, where redrying needs it
    cabinet_permission: str = (
        ""  # whose written word lets a dry cabinet stop hours that the rule does not stop
    )
    use_first_frac: Annotated[float, Field(gt=0, le=1)] = 0.5
    due_frac: Annotated[float, Field(gt=0, le=1)] = 0.8  # where neither it nor the shop's limits say it


class ClassRule(ShopRule):
    """The shop's rule and the class it is for; never looser than a code."""

    consumable: Identifier  # class id of shared/consumables.toml
