"""InfluxDB behind its spool against the embedded store: from MQTT, after an outage, and bytes a reading.

    python -m tests.bench.influx_bench [--messages 30000] [--rounds 3] [--readings 1000000]

Needs Debian's mosquitto and influxdb (and victoria-metrics for its line in the last table). InfluxDB
1.6 is reached through the tests' reverse proxy, the bare client too, so both pay for it.
"""

import argparse
import shutil
import statistics
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from time import perf_counter, sleep
from typing import NamedTuple

import numpy as np
import requests
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from pydantic import SecretStr

from monitor.clock import SystemClock
from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.mqtt.sensor_topics import SensorCatalogue
from monitor.mqtt.session import IngestSession
from monitor.settings.schema import InfluxSection
from monitor.store.contract import SeriesStore
from monitor.store.influx.influx_series import InfluxSeriesStore
from monitor.store.influx.layout import ReadingRow, reading_line
from monitor.store.series.sqlite_series import SqliteSeriesStore
from tests.bench.ingest_bench import BROKER, let_go, shop, start_publisher
from tests.brokers import Mosquitto
from tests.store import servers
from tests.store.draining import drain

T0 = 1_700_006_400.0
SENSORS = 20
QUANTITIES = (Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY)
KEYS = [SeriesKey("bay", f"wall-{n}", quantity) for n in range(SENSORS) for quantity in QUANTITIES]


def section(server: servers.Influx, url: str, database: str) -> InfluxSection:
    server.ask(f"CREATE DATABASE {database}")
    password = SecretStr(servers.INFLUX_PASSWORD)
    return InfluxSection(
        url=url, username=servers.INFLUX_USER, password=password, database=database, timeout_s=60
    )


class Run(NamedTuple):
    stored: float  # readings a second until every message was acknowledged
    arrived: float  # readings a second until every reading was on the server


def from_mqtt(store: SeriesStore, messages: int) -> Run:
    """The ingest session on a store, with its messages waiting at a real Mosquitto."""
    settings = shop("5", 0, "bench")
    with tempfile.TemporaryDirectory() as folder, Mosquitto(Path(folder), BROKER, persistent=False) as broker:
        settings = shop("5", broker.port, "bench")
        catalogue = SensorCatalogue.from_settings(settings)
        done = threading.Event()

        def on_committed() -> None:
            if store.counts()["stored"] >= 2 * messages:
                done.set()

        def session() -> IngestSession:
            made = IngestSession(settings.mqtt, catalogue, store, SystemClock(), on_committed=on_committed)
            made.start()
            while not made.status().connected:
                sleep(0.005)
            return made

        first = session()
        sleep(0.2)
        first.stop()
        publisher = start_publisher(broker.port, messages)
        let_go(publisher)
        assert publisher.wait() == 0
        began = perf_counter()
        second = session()
        assert done.wait(600)
        stored_s = perf_counter() - began
        while (state := store.shipping()) is not None and state.waiting:
            sleep(0.02)
        arrived_s = perf_counter() - began
        second.stop()
    return Run(2 * messages / stored_s, 2 * messages / arrived_s)


def mqtt_table(server: servers.Influx, url: str, messages: int, rounds: int) -> None:
    runs: dict[str, list[Run]] = {"embedded": [], "influxdb": []}
    for n in range(rounds):
        with tempfile.TemporaryDirectory() as folder:
            embedded = SqliteSeriesStore(Path(folder) / "series.sqlite")
            runs["embedded"].append(from_mqtt(embedded, messages))
            embedded.close()
            over = InfluxSeriesStore(
                section(server, url, f"mqtt_{n}"), Path(folder) / "spool.sqlite", now_s=lambda: T0
            )
            over.shipper.start()
            runs["influxdb"].append(from_mqtt(over, messages))
            over.close()
    print(f"\nFrom MQTT, {messages} messages of 2 readings, median of {rounds} rounds, readings/s")
    base = statistics.median(run.stored for run in runs["embedded"])
    for name, found in runs.items():
        stored = statistics.median(run.stored for run in found)
        arrived = statistics.median(run.arrived for run in found)
        print(
            f"  {name:10} acknowledged {stored:>9,.0f} (ratio {stored / base:.2f})   arrived {arrived:>9,.0f}"
        )


def readings(count: int) -> Iterator[list[Reading]]:
    """What real sensors send: values that wander in steps of 0.01, device times with some jitter."""
    random = np.random.default_rng(11)
    value = random.uniform(5, 25, len(KEYS))
    for begin in range(0, count, 1_000):
        batch = []
        for n in range(begin, begin + 1_000):
            place, turn = n % len(KEYS), n // len(KEYS)
            if place == 0:
                value = np.round(value + random.normal(0, 0.03, len(KEYS)), 2)
                jitter = random.integers(0, 400, (len(KEYS), 2)) / 1000.0
            time_s = round(T0 + turn * 30 + jitter[place][0], 3)
            arrived_s = round(time_s + 0.05 + jitter[place][1], 3)
            batch.append(Reading(KEYS[place], time_s, arrived_s, float(value[place]), turn % 65_536, True))
        yield batch


def line_of(reading: Reading) -> str:
    key, time_s, arrived_s, value, sequence, device = reading
    delay_ms = round((arrived_s - time_s) * 1000)
    return reading_line(ReadingRow(key, round(time_s * 1000), value, 0, delay_ms, sequence, device))


def bare_rate(server: servers.Influx, url: str, count: int) -> float:
    """influxdb-client writing lines that were made before, in batches of 5 000."""
    where = section(server, url, "bare")
    lines = [line_of(reading) for batch in readings(count) for reading in batch]
    batches = [lines[first : first + 5_000] for first in range(0, count, 5_000)]
    token = f"{servers.INFLUX_USER}:{servers.INFLUX_PASSWORD}"
    with InfluxDBClient(where.url, token=token, org="-", enable_gzip=True, timeout=60_000) as client:
        writer = client.write_api(write_options=SYNCHRONOUS)
        began = perf_counter()
        for batch in batches:
            writer.write(bucket="bare/autogen", record="\n".join(batch), write_precision="ms")
        return count / (perf_counter() - began)


def folder_bytes(*folders: Path) -> int:
    """What the files take up on the disk; InfluxDB makes some that are mostly holes."""
    return sum(file.stat().st_blocks * 512 for folder in folders for file in folder.rglob("*"))


@contextmanager
def spool_after_outage(where: InfluxSection, folder: Path, count: int) -> Iterator[InfluxSeriesStore]:
    store = InfluxSeriesStore(where, folder / "spool.sqlite", now_s=lambda: T0)
    for batch in readings(count):
        store.append(batch)
    yield store
    store.close()


def drain_table(server: servers.Influx, url: str, count: int) -> None:
    bare = bare_rate(server, url, count)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with spool_after_outage(section(server, url, "drained"), folder, count) as store:
            began = perf_counter()
            drain(store.shipper)
            ours = count / (perf_counter() - began)
        print(f"\nDraining {count:,} readings after an outage, batches of 5 000, gzip, readings/s")
        print(f"  bare client, lines made before {bare:>9,.0f}")
        print(f"  spool                          {ours:>9,.0f}   ratio {ours / bare:.2f}")
        spool_bytes = (folder / "spool.sqlite").stat().st_size
        embedded = SqliteSeriesStore(folder / "series.sqlite")
        for batch in readings(count):
            embedded.append(batch)
        embedded.refresh_rollups()
        embedded.close()
        embedded_bytes = (folder / "series.sqlite").stat().st_size
    server.ask("DROP DATABASE bare")
    days = count / len(KEYS) / 2880
    print(f"\nBytes a reading ({count:,} readings of {SENSORS} sensors, {days:.0f} days every 30 s)")
    print(f"  embedded store, rollups included   {embedded_bytes / count:6.1f}")
    print(f"  spool (the last 14 days only)      {spool_bytes / count:6.1f}")
    print(f"  InfluxDB {influx_bytes(server) / count:32.1f}")
    if shutil.which("victoria-metrics"):
        print(f"  VictoriaMetrics {metrics_bytes(count) / count:25.1f}")


def influx_bytes(server: servers.Influx) -> int:
    """Of the database `drained`, once its files have stopped shrinking."""
    folders = server.home / "data" / "drained", server.home / "wal" / "drained"
    sizes = [folder_bytes(*folders)]
    while len(sizes) < 4 or sizes[-1] != sizes[-4]:
        sleep(3)
        sizes.append(folder_bytes(*folders))
    return sizes[-1]


def metrics_bytes(count: int) -> int:
    with servers.victoria_metrics_at() as (url, home), tempfile.TemporaryDirectory() as folder:
        where = InfluxSection(url=url, timeout_s=60)
        with spool_after_outage(where, Path(folder), count) as store:
            drain(store.shipper)
        for chore in ("force_flush", "force_merge"):
            requests.get(f"{url}/internal/{chore}", timeout=60)
        sleep(10)
        return folder_bytes(home / "data" / "data")


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--messages", type=int, default=30_000)
    ask.add_argument("--rounds", type=int, default=3)
    ask.add_argument("--readings", type=int, default=1_000_000)
    given = ask.parse_args()
    with servers.influxdb(settle="2s", on_disk=True) as server, servers.door_apart(server) as url:
        mqtt_table(server, url, given.messages, given.rounds)
        drain_table(server, url, given.readings)


if __name__ == "__main__":
    main()
