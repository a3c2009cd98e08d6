"""Messages a second from Mosquitto into the durable store, against a bare client on the same broker.

    python -m tests.bench.ingest_bench [--messages 60000] [--rounds 5]

Each round fills the broker with the same messages for a bare subscriber (`bare_ingest`) and for the ingest
session (decoded, unit-checked, committed with full sync to SQLite, acknowledged after the commit), each in a
process of its own, and lets each drain them. Two readings a message. With `--how whole` ours is done only
when the core in the same process has judged all of it, too, with its ledger. A second table is live: a
publisher writes as fast as the broker takes while the subscriber reads, so that publisher, broker and
subscriber share the machine. What is read is believed: what jumps about or was stamped an hour ago is
doubted, which is another path.
"""

import argparse
import json
import math
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import NamedTuple

from monitor.cli.heap import settle_heap
from monitor.clock import SystemClock
from monitor.engine.build import build_shop
from monitor.engine.loop import CoreLoop
from monitor.model.reading import Quantity
from monitor.mqtt.encode import encode_own
from monitor.mqtt.sensor_topics import SensorCatalogue
from monitor.mqtt.session import IngestSession
from monitor.settings.schema import MqttSection, Settings
from monitor.store.ledger.sql_ledger import open_ledger
from monitor.store.series.sqlite_series import SqliteSeriesStore
from tests.bench.bare_ingest import WINDOW, measured
from tests.brokers import HOST, Mosquitto

SENSORS = 100
TOPIC = "dryshift/yard/hall/s{n}"
SAMPLED_S = 0.05  # between two readings of a sensor, by its own clock
BROKER = "allow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 2000\nset_tcp_nodelay true\n"


def shop(protocol: str, port: int, client_id: str) -> Settings:
    measures = [
        {"quantity": "air_temperature_c", "unit": "Cel"},
        {"quantity": "relative_humidity_frac", "unit": "%RH"},
    ]
    sensors = [{"id": f"s{n}", "zone": "hall", "measures": measures} for n in range(SENSORS)]
    section = MqttSection(port=port, protocol=protocol, client_id=client_id, receive_maximum=WINDOW)
    return Settings(
        mqtt=section,
        sites=[{"id": "yard", "name": "Yard"}],
        zones=[{"id": "hall", "site": "yard", "name": "Hall"}],
        sensors=sensors,
    )


def packets(messages: int) -> bytes:
    """PUBLISH packets (MQTT 3.1.1, QoS 1), every reading new, of the last moments, and to be believed."""
    began_s = time.time() - messages / SENSORS * SAMPLED_S
    out = bytearray()
    for k in range(messages):
        celsius = 18.0 + 3.0 * math.sin(k / 9_000.0) + 0.05 * math.sin(k * 7.0)
        humidity = 0.5 + 0.1 * math.sin(k / 7_000.0) + 0.003 * math.sin(k * 11.0)
        values = {
            Quantity.AIR_TEMPERATURE: round(celsius, 2),
            Quantity.RELATIVE_HUMIDITY: round(humidity, 4),
        }
        payload = encode_own(began_s + k // SENSORS * SAMPLED_S, values, k // SENSORS)
        topic = TOPIC.format(n=k % SENSORS).encode()
        body = len(topic).to_bytes(2, "big") + topic + (k % 65_535 + 1).to_bytes(2, "big") + payload
        out += bytes([0x32, len(body) % 128 | 128, len(body) // 128]) + body
    return bytes(out)


def publish(port: int, messages: int) -> None:
    """Write prepared packets to a socket; a client library would be slower than what it feeds."""
    data = packets(messages)
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    sys.stdin.readline()
    with socket.create_connection((HOST, port)) as sock:
        sock.sendall(b"\x10\x10\x00\x04MQTT\x04\x02\x00\x3c\x00\x04pump")
        sock.recv(4)
        wanted = 4 * messages

        def read_acknowledgements() -> None:
            got = 0
            while got < wanted:
                got += len(sock.recv(65_536))

        reader = threading.Thread(target=read_acknowledgements)
        reader.start()
        sock.sendall(data)
        reader.join()


def start_publisher(port: int, messages: int) -> subprocess.Popen[bytes]:
    arguments = ["--publish", str(port), "--messages", str(messages)]
    command = [sys.executable, "-m", "tests.bench.ingest_bench", *arguments]
    publisher = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert publisher.stdout is not None
    publisher.stdout.readline()
    return publisher


def let_go(publisher: subprocess.Popen[bytes]) -> None:
    """Let the prepared publisher write."""
    assert publisher.stdin is not None
    publisher.stdin.write(b"go\n")
    publisher.stdin.close()


class Ours:
    """The ingest session on its embedded store."""

    def __init__(self, protocol: str, port: int, messages: int) -> None:
        settings = shop(protocol, port, "ours")
        self._folder = tempfile.TemporaryDirectory()
        self._store = SqliteSeriesStore(Path(self._folder.name) / "series.sqlite")
        self._wanted = messages
        self._seen = threading.Event()
        self.session = IngestSession(
            settings.mqtt,
            SensorCatalogue.from_settings(settings),
            self._store,
            SystemClock(),
            on_committed=self._on_committed,
        )

    def _on_committed(self) -> None:
        if self.session.status().counts["stored"] >= 2 * self._wanted:
            self._seen.set()

    def start(self) -> None:
        self.session.start()
        while not self.session.status().subscribed:
            time.sleep(0.005)

    def wait(self) -> None:
        assert self._seen.wait(300), self.session.status()

    def stop(self) -> None:
        self.session.stop()
        self._store.close()
        self._folder.cleanup()


class Whole(Ours):
    """The same, and the core behind it on its ledger, which must have judged the last reading."""

    def __init__(self, protocol: str, port: int, messages: int) -> None:
        super().__init__(protocol, port, messages)
        self._clock, self._woken, self._stopping = SystemClock(), threading.Event(), False
        settings = shop(protocol, port, "ours")
        folder = Path(self._folder.name)
        self._ledger = open_ledger(f"sqlite:///{folder / 'ledger.sqlite'}")
        self._loop = CoreLoop(build_shop(settings), self._store, self._ledger, self._clock.now_s())
        self._core = threading.Thread(target=self._judge)

    def _on_committed(self) -> None:
        self._woken.set()

    def _judge(self) -> None:
        while not self._stopping:
            self._woken.wait(0.2)
            self._woken.clear()
            self._loop.advance_to(self._clock.now_s())
            if self._loop.state.order >= 2 * self._wanted:
                self._seen.set()

    def start(self) -> None:
        self._core.start()
        super().start()

    def stop(self) -> None:
        self._stopping = True
        self._core.join()
        self._ledger.close()
        super().stop()


class Run(NamedTuple):
    """What one subscriber managed, and what it cost: the machine may be busy with other things."""

    rate: float  # messages a second
    cpu_us: float  # processor time of its process, a message


def run(who: str, how: str, protocol: str, messages: int) -> Run:
    """One subscriber in a process of its own, which finds its messages waiting (drain) or coming (live)."""
    with tempfile.TemporaryDirectory() as folder, Mosquitto(Path(folder), BROKER, persistent=False) as broker:
        numbers = [how, protocol, str(broker.port), str(messages)]
        module = ["bare_ingest"] if who == "bare" else ["ingest_bench", "--child", who]
        command = [sys.executable, "-m", f"tests.bench.{module[0]}", *module[1:], *numbers]
        child = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        assert child.stdout is not None
        assert child.stdout.readline() == b"ready\n"
        publisher = start_publisher(broker.port, messages)
        if how == "drain":
            let_go(publisher)
            assert publisher.wait() == 0
            let_go(child)
        else:
            let_go(child)
            let_go(publisher)
        wall_s, cpu_s = json.loads(child.stdout.readline())
        publisher.wait()
        assert child.wait() == 0
    return Run(messages / wall_s, cpu_s / messages * 1e6)


def row(case: str, bare: list[Run], ours: list[Run]) -> str:
    cells = [case.ljust(22)]
    for runs in (bare, ours):
        rates = [run.rate for run in runs]
        shown = f"{statistics.median(rates):,.0f} ({min(rates):,.0f}-{max(rates):,.0f})"
        cells.append(shown.rjust(24) + f"{statistics.median(run.cpu_us for run in runs):8.1f}")
    ratio = statistics.median(run.rate for run in ours) / statistics.median(run.rate for run in bare)
    return "".join(cells) + f"{ratio:8.2f}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--messages", type=int, default=60_000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--how", choices=("drain", "live", "whole"), action="append")
    parser.add_argument("--protocol", choices=("5", "3.1.1"), action="append")
    parser.add_argument("--publish", type=int, help=argparse.SUPPRESS)
    parser.add_argument("--child", nargs=5, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.child:
        who, how, protocol, port, messages = arguments.child
        settle_heap()
        kind = {"ours": Ours, "whole": Whole}[who]
        measured(lambda: kind(protocol, int(port), int(messages)), how)
        return
    if arguments.publish:
        publish(arguments.publish, arguments.messages)
        return
    print(
        f"{arguments.messages} messages, 2 readings each, {arguments.rounds} rounds, median (lowest-highest)"
    )
    print(f"{'case':<22}{'bare msg/s':>24}{'cpu µs':>8}{'ours msg/s':>24}{'cpu µs':>8}{'ratio':>8}")
    cases = {"drain": ("drain", "ours"), "live": ("live", "ours"), "whole": ("live", "whole")}
    for name in arguments.how or cases:
        how, ours_is = cases[name]
        for protocol in arguments.protocol or ("5", "3.1.1"):
            bare, ours = [], []
            for _ in range(arguments.rounds):
                bare.append(run("bare", how, protocol, arguments.messages))
                ours.append(run(ours_is, how, protocol, arguments.messages))
            print(row(f"{name}, MQTT {protocol}", bare, ours), flush=True)


if __name__ == "__main__":
    main()
