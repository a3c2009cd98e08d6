"""Many shops on one PostgreSQL and one Mosquitto: what a shop costs, and how long one is judged by nobody.

Run: python -m tests.bench.fleet_bench [--shops 40] [--sensors 50] [--every 30] [--minutes 1] [--limit 480]

Two workers share the shops; one generator publishes for every sensor of all of them, temperature and
humidity every so many seconds, spread evenly. One worker is killed whole with all its shops, and the
other's page is asked until it judges all. Series lie in the embedded store of each shop: an InfluxDB beside
so many shops on one machine would be measured instead of them. Counted: memory by its share (Pss: of a page
that ten processes have in common a tenth) and what a shop has to itself, processor time a shop and a
reading, that of the servers, connections to PostgreSQL, seconds until a killed worker's shops are judged
again, and readings that the broker acknowledged and no store has. The bare line is a client of paho that
parses the same messages and does nothing with them. What takes longer than the limit (seconds) ends the run
with what it waited for.
"""

import argparse
import json
import os
import shutil
import tempfile
import threading
import time
from pathlib import Path

import paho.mqtt.client as mqtt
import psycopg
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
A_SHOP = 6  # connections at most, with what is opened for a moment
KIB = 1024.0


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
        self.late_s = 0.0  # the most that it fell behind its own plan
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
                due = int((time.monotonic() - began) / self._gap_s) + 1
                self.late_s = max(self.late_s, (due - n) * self._gap_s)
                publisher.send_all([self._message(one) for one in range(n, due)])
                self.sent = n = due
                self._stop.wait(max(began + n * self._gap_s - time.monotonic(), 0.02))

    def _message(self, n: int) -> tuple[str, bytes]:
        name, sensor = self._places[n % len(self._places)]
        air = {Quantity.AIR_TEMPERATURE: 12.0 + n % 7 * 0.1, Quantity.RELATIVE_HUMIDITY: 0.5}
        payload = encode_own(round(time.time(), 3), air, n // len(self._places))
        return f"{name}/yard/bay-{sensor // A_ZONE}/wall-{sensor}", payload


def processor_s(pids: list[int]) -> dict[int, float]:
    """Processor seconds so far."""
    found = {}
    for pid in pids:
        try:
            fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue
        found[pid] = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    return found


def memory_mb(pid: int) -> tuple[float, float]:
    """Its share of memory (Pss), and what it has to itself."""
    rows = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    kib = {row.split(":")[0]: int(row.split()[1]) for row in rows if row.endswith(" kB")}
    return kib["Pss"] / KIB, (kib["Private_Clean"] + kib["Private_Dirty"]) / KIB


def of_group(group: int) -> list[int]:
    """The processes of a worker."""
    found = []
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            fields = (entry / "stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[2]) == group:
            found.append(int(entry.name))
    return found


def children_of(pid: int) -> list[int]:
    """A server's own processes, itself among them."""
    found = [pid]
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        found += [int(one) for one in task.read_text().split()]
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


def say(what: str, value: float, more: str = "", digits: int = 1) -> None:
    print(f"{what:50} {value:10.{digits}f} {more}", flush=True)


class Bench:
    """The workers under load, and what is said of them."""

    def __init__(self, asked: argparse.Namespace, database: str, broker: Mosquitto, folder: Path) -> None:
        self.asked, self.database, self.broker, self.folder = asked, database, broker, folder
        self.names = [f"shop{n}" for n in range(asked.shops)]
        self.began = time.monotonic()
        shops = write_shops(folder, broker.port, self.names, asked.sensors)
        self.one, self.two = Worker("one", shops, database), Worker("two", shops, database)

    def left_s(self) -> float:
        """Of the time that all of it may take; some is kept for the end."""
        return max(self.asked.limit - (time.monotonic() - self.began), 1.0)

    def judged(self) -> int:
        return sum(bool(shop["url"]) for shop in self.two.shops())

    def judged_by(self, worker: str) -> int:
        return sum(bool(shop["url"]) and shop["worker"] == worker for shop in self.two.shops())

    def steady(self, load: Load) -> None:
        """What a while of load costs."""
        seconds = self.asked.minutes * 60.0
        mine = [*of_group(self.one.process.pid), *of_group(self.two.process.pid)]
        with psycopg.connect(self.database.replace("+psycopg", "")) as db:
            server = children_of(parent_of(db.info.backend_pid))
        assert self.broker._process is not None
        before, sent = processor_s([*mine, *server, self.broker._process.pid]), load.sent
        plain_s, plain = bare_s(self.broker.port, seconds)
        after, sent = processor_s(list(before)), load.sent - sent

        def took(pids: list[int]) -> float:
            return sum(after[pid] - before[pid] for pid in pids if pid in after)

        shops, count = took(mine), len(self.names)
        say("messages a second", sent / seconds, f"(the generator at most {load.late_s:.1f} s behind)")
        say("processor a shop, of one core", shops / seconds / count, digits=4)
        each_us, bare_us = 1e6 * shops / max(sent, 1), 1e6 * plain_s / max(plain, 1)
        say("processor a message, us", each_us, f"(bare {bare_us:.0f}, ratio {bare_us / each_us:.2f})", 0)
        say("processor of PostgreSQL, of one core a shop", took(server) / seconds / count, digits=5)
        say("processor of Mosquitto, us a message", 1e6 * took([self.broker._process.pid]) / max(sent, 1))
        self.memory(mine)

    def memory(self, mine: list[int]) -> None:
        heads = {self.one.process.pid, self.two.process.pid}
        forked = [pid for pid in mine if alive(pid) and not {pid, parent_of(pid)} & heads]
        shops, count = sorted(map(memory_mb, forked)), len(self.names)
        total = sum(memory_mb(pid)[0] for pid in mine if alive(pid))
        own = sorted(one for _, one in shops)
        say("memory of a shop by its share (Pss), MB", shops[count // 2][0], f"(most {shops[-1][0]:.1f})")
        say("memory of a shop to itself, MB", own[count // 2], f"(most {own[-1]:.1f})")
        say("memory of both workers with all shops (Pss), MB", total)
        with psycopg.connect(self.database.replace("+psycopg", "")) as db:
            row = db.execute(
                "SELECT count(*) FROM pg_stat_activity WHERE backend_type = 'client backend'"
            ).fetchone()
        assert row is not None
        say("connections to PostgreSQL a shop", (row[0] - 1) / count, f"({row[0] - 1} in all)")

    def taken_over(self) -> None:
        """One worker ends with all its shops at once."""
        count = len(self.names)
        self.one.switch_off()
        began, mine = time.monotonic(), self.judged_by("two")
        half = mine + (count - mine + 1) // 2
        wait_until(lambda: self.judged_by("two") >= half, "half of them to be taken over", self.left_s())
        say("a killed worker: half of its shops judged after, s", time.monotonic() - began)
        wait_until(lambda: self.judged_by("two") == count, "the other to take over", self.left_s())
        say(
            "a killed worker: all of them judged after, s",
            time.monotonic() - began,
            f"({count - mine} shops)",
        )

    def run(self) -> None:
        count = len(self.names)
        wait_until(lambda: self.judged() == count, "all shops", self.left_s())
        print(
            f"{count} shops of {self.asked.sensors} sensors, two workers, series in the embedded store, ",
            end="",
        )
        print(f"load average {os.getloadavg()[0]:.1f} of {os.cpu_count()} cores")
        say("all judged after the start, s", time.monotonic() - self.began)
        with Load(self.broker.port, self.names, self.asked.sensors, self.asked.every) as load:
            self.steady(load)
            self.taken_over()
        total = 2 * load.sent
        wait_until(lambda: stored(self.folder, self.names) >= total, f"all {total} readings", self.left_s())
        say("readings acknowledged", total, f"and stored {stored(self.folder, self.names)}", 0)

    def close(self) -> None:
        for worker in (self.one, self.two):
            if worker.process.poll() is None:
                worker.switch_off()


def alive(pid: int) -> bool:
    return Path(f"/proc/{pid}").exists()


def parent_of(pid: int) -> int:
    return int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[1])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--shops", type=int, default=40)
    parser.add_argument("--sensors", type=int, default=50)
    parser.add_argument("--every", type=float, default=30.0)
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--limit", type=float, default=480.0)
    asked = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="fleet-"))
    connections = A_SHOP * asked.shops + 40
    try:
        with servers.postgresql_or_skip(connections) as server, Mosquitto(folder) as broker:
            bench = Bench(asked, servers.emptied(server, "dryshift_fleet"), broker, folder)
            try:
                bench.run()
            finally:
                bench.close()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
