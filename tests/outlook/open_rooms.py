"""Rooms and attics that were really measured, for the tests of this room.

Sources: "TRH database" (CC BY 4.0) with the Finnish Meteorological Institute's open data (CC BY 4.0), and
Candanedo, Feldheim, Deramaix, Energy and Buildings 140 (2017) 81-97 (UCI, CC BY 4.0).
"""

import os
from functools import cache
from pathlib import Path

import pytest

from monitor.outlook.backtest import Recording
from monitor.outlook.hourly import HOUR_S, AirHistory
from monitor.weather.recordings import open_recordings

DATA = os.environ.get("DRYSHIFT_OPEN_DATA", "")
needs_open_data = pytest.mark.skipif(
    not DATA, reason="DRYSHIFT_OPEN_DATA does not name the folder of open data"
)


@cache
def open_rooms() -> dict[str, Recording]:
    """Every open record by its name."""
    return {one.name: one for one in open_recordings(Path(DATA))}


def hours(history: AirHistory, first: int, last: int) -> AirHistory:
    """Some rows of a record."""
    beside = history.neighbour_pressure_pa
    return AirHistory(
        history.zone,
        history.start_s + first * HOUR_S,
        history.temperature_c[first:last],
        history.vapour_pressure_pa[first:last],
        neighbour_pressure_pa=None if beside is None else beside[first:last],
    )
