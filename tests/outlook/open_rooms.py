"""Rooms and attics that were really measured, for the tests of this room.

Sources: "TRH database" (CC BY 4.0) with the Finnish Meteorological Institute's open data (CC BY 4.0), and
Candanedo, Feldheim, Deramaix, Energy and Buildings 140 (2017) 81-97 (UCI, CC BY 4.0).
"""

import csv
import gzip
import os
from datetime import datetime, timedelta, timezone
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from monitor.outlook.backtest import Recording
from monitor.outlook.hourly import HOUR_S, AirHistory, FloatArray, hourly_means
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


def open_radiation(start_s: float, rows: int) -> FloatArray:
    """Hours of radiation on a level surface beside the lived-in house and its attic; local time is UTC+2."""
    with gzip.open(Path(DATA) / "trh" / "R4_fmi.csv.gz", "rt", encoding="utf-8") as file:
        table = list(csv.DictReader(file))
    zone = timezone(timedelta(hours=2))
    moments = [datetime.fromisoformat(row["t_UTC+2"]).replace(tzinfo=zone).timestamp() for row in table]
    values = np.array([float(row["Rglob"] or "nan") for row in table])
    return hourly_means(np.array(moments), values, start_s, rows)
