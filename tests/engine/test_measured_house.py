"""A measured house goes through MQTT as real input: its week is stored and charted."""

import csv
import gzip
import os
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import psychrolib
import pytest
import requests

from monitor.clock import FastClock
from monitor.engine.service import Service
from monitor.model.reading import Quantity, SeriesKey
from monitor.mqtt.encode import encode_own
from monitor.settings.file import load
from tests.brokers import MOSQUITTO, Mosquitto, Publisher, wait_until

DATA = os.environ.get("DRYSHIFT_OPEN_DATA", "")
ROOMS = 5
WEEK_START = datetime(2016, 1, 18, tzinfo=UTC)
DAYS = 7
SPEED = 1e6  # as fast as the service keeps up

SHOP = """
[service]
data_dir = "data"
tick_s = 300
derived_every_s = 600
[mqtt]
broker = "external"
host = "127.0.0.1"
port = {port}
commit_s = 0.02
[web]
port = 0
[[sites]]
id = "house"
name = "Measured house"
"""
ROOM = """
[[zones]]
id = "room-{n}"
site = "house"
name = "Room {n}"
[[sensors]]
id = "sensor-{n}"
zone = "room-{n}"
interval_s = 600
stale_after_s = 7200
[[sensors.measures]]
quantity = "air_temperature_c"
unit = "Cel"
[[sensors.measures]]
quantity = "relative_humidity_frac"
unit = "%RH"
"""

pytestmark = [
    pytest.mark.skipif(MOSQUITTO is None, reason="the mosquitto package is not installed"),
    pytest.mark.skipif(not DATA, reason="DRYSHIFT_OPEN_DATA does not name the folder of open data"),
]


Rows = list[tuple[float, list[tuple[float, float]]]]


def week() -> Rows:
    """Time and (temperature, humidity in percent) of every room.

    Source: "Appliances Energy Prediction", Candanedo, Feldheim, Deramaix, Energy and Buildings 140
    (2017) 81-97.
    """
    rows = []
    start_s, end_s = WEEK_START.timestamp(), WEEK_START.timestamp() + DAYS * 86_400.0
    with gzip.open(Path(DATA) / "house_rooms_1_to_5.csv.gz", "rt", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            time_s = datetime.fromisoformat(row["date"]).replace(tzinfo=UTC).timestamp()
            if start_s <= time_s < end_s:
                rows.append(
                    (time_s, [(float(row[f"T{n}"]), float(row[f"RH_{n}"])) for n in range(1, ROOMS + 1)])
                )
    return rows


def publish(service: Service, clock: FastClock, publisher: Publisher, rows: Rows) -> None:
    """Send row by row; the clock waits until the service has judged each, however long a look ahead takes."""
    sent = 0
    for time_s, rooms in rows:
        clock.allow(time_s)
        wait_until(lambda due_s=time_s: clock.now_s() >= due_s, "the clock", 120)
        for n, (celsius, percent) in enumerate(rooms, 1):
            values = {Quantity.AIR_TEMPERATURE: celsius, Quantity.RELATIVE_HUMIDITY: percent / 100.0}
            publisher.client.publish(f"dryshift/house/room-{n}/sensor-{n}", encode_own(time_s, values), qos=1)
            sent += 1
        readings = 2 * sent
        wait_until(lambda due=readings: service.loop.state.order >= due, "the rows to be judged", 120)
    clock.allow(rows[-1][0] + 3_600.0)


def test_a_measured_week_is_stored_whole_and_its_dew_points_agree_with_a_reference_library(
    tmp_path: Path,
) -> None:
    rows = week()
    assert len(rows) == DAYS * 144
    psychrolib.SetUnitSystem(psychrolib.SI)
    with Mosquitto(tmp_path) as broker:
        text = SHOP.format(port=broker.port) + "".join(ROOM.format(n=n) for n in range(1, ROOMS + 1))
        (tmp_path / "shop.toml").write_text(text, encoding="utf-8")
        clock = FastClock(rows[0][0], rows[-1][0] + 3_600.0, SPEED)
        service = Service(load(tmp_path / "shop.toml"), clock)
        service.start()
        try:
            with Publisher(broker.port) as publisher:
                publish(service, clock, publisher, rows)
            wait_until(
                lambda: service.loop.state.time_s > rows[-1][0] + 600, "the last reading to be judged", 240
            )
            for n in range(1, ROOMS + 1):
                key = SeriesKey(f"room-{n}", f"sensor-{n}", Quantity.AIR_TEMPERATURE)
                stored = service.series.slice(key, 0, 4e9)
                assert stored.time_s.tolist() == [time_s for time_s, _ in rows]
                dew = service.series.slice(SeriesKey(f"room-{n}", "zone", Quantity.DEW_POINT), 0, 4e9)
                assert dew.value.size > 0.9 * len(rows)
                # Room by room, the derived series holds the dew point of the reading it was made from.
                expected = [
                    psychrolib.GetTDewPointFromRelHum(t, rh / 100.0) for t, rh in (r[n - 1] for _, r in rows)
                ]
                nearest = np.abs(np.subtract.outer(dew.value, np.array(expected))).min(axis=1)
                assert np.quantile(nearest, 0.95) < 0.02
            assert service.server is not None
            page = requests.get(f"{service.server.url}/week?week=2016-W03", timeout=10)
        finally:
            service.stop()
    assert page.status_code == 200
    assert "Room 5" in page.text
