"""The shop's own procedure for a class of consumables."""

from typing import Annotated, ClassVar

from pydantic import Field

from monitor.model.section import Identifier, Section


class TestedHours(Section):
    """Longer hours proved by a test of this maker's product (column B), with the air of the test."""

    __test__: ClassVar[bool] = False
    limit_h: Annotated[float, Field(gt=0)]
    temperature_c: Annotated[float, Field(ge=0, le=60)]
    rh_frac: Annotated[float, Field(gt=0, le=1)]
    document: Annotated[str, Field(min_length=1)]


class ShopRules(Section):
    """The shop's own procedure for a class; never looser than a code; reason and document for other hours."""

    consumable: Identifier  # class id of shared/consumables.toml
    limit_h: Annotated[float, Field(gt=0)] | None = None
    reason: str = ""
    document: str = ""
    tested: TestedHours | None = None
    hold_restarts_clock: bool | None = None
    redry_permission: str = ""  # the maker's written word, where redrying needs it
    cabinet_permission: str = (
        ""  # whose written word lets a dry cabinet stop hours that the rule does not stop
    )
    use_first_frac: Annotated[float, Field(gt=0, le=1)] | None = None
    due_frac: Annotated[float, Field(gt=0, le=1)] | None = None
