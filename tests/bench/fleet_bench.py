"""Many shops on one PostgreSQL and one Mosquitto: what a shop costs, and how long one is judged by nobody.

Run: python -m tests.bench.fleet_bench [--shops 20] [--sensors 50] [--every 30] [--minutes 1]

Two workers share the shops; every sensor sends temperature and humidity every so many seconds. One worker is
killed whole, and the other's page is asked until it judges all. Counted: memory that a shop's process has to
itself, processor time a shop and a reading, seconds until a killed worker's shops are judged again, and
readings that the broker acknowledged and no store has. The bare line is a client of paho that parses the same
messages and does nothing with them.
"""

import argparse
import json
import os
import tempfile
import threading
import time
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from monitor.model.reading import Quantity
from monitor.mqtt.encode import encode_own
from monitor.store.series.sqlite_series import SqliteSeriesStore
from tests.brokers import Mosquitto, Publisher, wait_until
from tests.fleet.test_fleet import FLEET, Worker
from tests.store import servers

SHOP = """
[service]
data_dir = "{folder}/data-{name}"

[mqtt]
broker = "external"
host = "127.0.0.1"
port = {port}
topic_root = "{name}"
client_id = "{name}"

[[sites]]
id = "yard"
name = "Ferrymoor Slipway"
timezone = "Europe/London"
"""
ZONE = """
[[zones]]
id = "bay-{n}"
site = "yard"
name = "Bay {n}"
kind = "bay"

[[plates]]
id = "plate-{n}"
zone = "bay-{n}"
name = "Plate {n}"
thickness_m = 0.025
"""
SENSOR = """
[[sensors]]
id = "wall-{n}"
zone = "bay-{zone}"
[[sensors.measures]]
quantity = "air_temperature_c"
unit = "Cel"
accuracy = 0.3
[[sensors.measures]]
quantity = "relative_humidity_frac"
unit = "%RH"
accuracy = 0.02
"""
A_ZONE = 10


def write_shops(folder: Path, port: int, names: list[str], sensors: int) -> Path:
    shops = folder / "shops"
    shops.mkdir()
    (shops / "fleet.toml").write_text(FLEET, encoding="utf-8")
    for name in names:
        text = SHOP.format(folder=folder, name=name, port=port)
        text += "".join(ZONE.format(n=n) for n in range(-(-sensors // A_ZONE)))
        text += "".join(SENSOR.format(n=n, zone=n // A_ZONE) for n in range(sensors))
        (shops / f"{name}.toml").write_text(text, encoding="utf-8")
    return shops


class Load:
    """Every sensor of every shop, evenly spread over its interval."""

    def __init__(self, port: int, names: list[str], sensors: int, every_s: float) -> None:
        self.sent = 0
        self._places = [(name, n) for n in range(sensors) for name in names]
        self._gap_s = every_s / len(self._places)
        self._port = port
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._send)

    def __enter__(self) -> "Load":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _send(self) -> None:
        with Publisher(self._port) as publisher:
            began, n = time.monotonic(), 0
            while not self._stop.is_set():
                name, sensor = self._places[n % len(self._places)]
                air = {Quantity.AIR_TEMPERATURE: 12.0 + n % 7 * 0.1, Quantity.RELATIVE_HUMIDITY: 0.5}
                payload = encode_own(round(time.time(), 3), air, n // len(self._places))
                publisher.send(f"{name}/yard/bay-{sensor // A_ZONE}/wall-{sensor}", payload)
                n += 1
                self.sent = n
                self._stop.wait(max(began + n * self._gap_s - time.monotonic(), 0.0))


def processes(group: int) -> dict[int, tuple[float, float]]:
    """Processor seconds and memory of its own (MB) of every process of a group."""
    found = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
                if int(fields[2]) != group:
                    continue
                own = sum(
                    int(line.split()[1])
                    for line in (entry / "smaps_rollup").read_text().splitlines()
                    if line.startswith("Private_")
                )
            except (OSError, IndexError):
                continue
            ticks = os.sysconf("SC_CLK_TCK")
            found[int(entry.name)] = ((int(fields[11]) + int(fields[12])) / ticks, own / 1024.0)
    return found


def bare_s(port: int, seconds: float) -> tuple[float, int]:
    """Processor time and messages of a client that parses everything and keeps nothing."""
    seen = 0

    def on_message(_client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        nonlocal seen
        json.loads(message.payload)
        seen += 1

    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.on_message = on_message
    client.connect("127.0.0.1", port)
    client.subscribe("#", qos=1)
    began, until = time.thread_time(), time.monotonic() + seconds
    while time.monotonic() < until:
        client.loop(0.5)
    client.disconnect()
    return time.thread_time() - began, seen


def stored(folder: Path, names: list[str]) -> int:
    found = 0
    for name in names:
        store = SqliteSeriesStore(folder / f"data-{name}" / "series.sqlite")
        found += store.counts()["stored"]
        store.close()
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--shops", type=int, default=20)
    parser.add_argument("--sensors", type=int, default=50)
    parser.add_argument("--every", type=float, default=30.0)
    parser.add_argument("--minutes", type=float, default=1.0)
    asked = parser.parse_args()
    names = [f"shop{n}" for n in range(asked.shops)]
    folder = Path(tempfile.mkdtemp(prefix="fleet-"))
    with servers.postgresql_or_skip() as server, Mosquitto(folder) as broker:
        database = servers.emptied(server, "dryshift_fleet")
        shops = write_shops(folder, broker.port, names, asked.sensors)
        began = time.monotonic()
        one, two = Worker("one", shops, database), Worker("two", shops, database)
        count = len(names)
        try:
            wait_until(lambda: sum(bool(s["url"]) for s in two.shops()) == count, "all shops", 600)
            load_now = os.getloadavg()[0]
            print(f"{count} shops of {asked.sensors} sensors, two workers, load average {load_now:.1f}")
            print(f"{'all judged after the start, s':50} {time.monotonic() - began:8.1f}")
            with Load(broker.port, names, asked.sensors, asked.every) as load:
                before, sent = {**processes(one.process.pid), **processes(two.process.pid)}, load.sent
                plain_s, plain = bare_s(broker.port, asked.minutes * 60.0)
                after, sent = {**processes(one.process.pid), **processes(two.process.pid)}, load.sent - sent
                took = sum(after[pid][0] - before[pid][0] for pid in after if pid in before)
                own = sorted(mb for _, mb in after.values())[-count:]
                print(f"{'messages a second':50} {sent / (asked.minutes * 60.0):8.1f}")
                print(f"{'memory of a shop to itself, MB':50} {own[count // 2]:8.1f} (most {own[-1]:.1f})")
                print(f"{'processor a shop, of one core':50} {took / (asked.minutes * 60.0) / count:8.4f}")
                each_us, bare_us = 1e6 * took / max(sent, 1), 1e6 * plain_s / max(plain, 1)
                ratio = f"({bare_us:.0f}, {bare_us / each_us:.2f})"
                print(f"{'processor a message, us (bare, ratio)':50} {each_us:8.0f} {ratio}")
                one.switch_off()
                began = time.monotonic()
                wait_until(lambda: two.runs(count, "two"), "the other to take over", 600)
                print(f"{'a killed worker: all judged again after, s':50} {time.monotonic() - began:8.1f}")
            total = 2 * load.sent
            wait_until(lambda: stored(folder, names) >= total, f"all {total} readings", 120)
            print(f"{'readings acknowledged and stored':50} {total:8} {stored(folder, names)}")
        finally:
            one.process.poll() is None and one.stop()
            two.stop()


if __name__ == "__main__":
    main()
