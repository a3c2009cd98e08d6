"""The shop's planning limits."""

from typing import Annotated

from pydantic import Field

from monitor.model.section import Fraction, PositiveS, Section


class Limits(Section):
    """Planning limits of the shop; the governing code is never loosened by them."""

    margin_caution_k: Annotated[float, Field(gt=0, le=15)] = 3.0
    margin_dead_band_k: Annotated[float, Field(ge=0, le=5)] = 0.5
    humidity_caution_frac: Fraction = 0.70
    humidity_dead_band_frac: Annotated[float, Field(ge=0, le=0.3)] = 0.03
    on_delay_s: Annotated[float, Field(ge=0)] = 300.0
    off_delay_s: Annotated[float, Field(ge=0)] = 600.0
    exposure_due_frac: Annotated[float, Field(gt=0, le=1)] = 0.8
    seismic_work: bool = True  # False: no word about it; the hours of its supplement stay as planning hours
    check_speaks_s: PositiveS = 43_200.0  # how long a person's reading of an oven stands where no sensor does
