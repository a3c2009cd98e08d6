"""How fast, how big, how idle: publish to webhook, memory and processor time at rest.

Run: python -m tests.bench.service_bench [latency] [idle], or … latency SENSORS ZONES ROUNDS [TICK_S].
Prints tables with ratios; asserts nothing.
"""

import json
import resource
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
import requests
from paho.mqtt.enums import CallbackAPIVersion

from monitor.clock import SystemClock
from monitor.engine.service import Service
from monitor.model.reading import Quantity
from monitor.mqtt.encode import encode_own
from monitor.settings.file import load
from tests.brokers import HOST, Mosquitto, wait_until
from tests.receivers import WebReceiver, web_receiver

HEAD = """
[service]
data_dir = "data"
tick_s = {tick_s}
[mqtt]
broker = "external"
host = "127.0.0.1"
port = {port}
[web]
port = 0
[limits]
on_delay_s = 0
off_delay_s = 60
[[sites]]
id = "yard"
name = "Ferrymoor Slipway"
[[channels]]
id = "phone"
kind = "webhook"
url = "{url}"
"""
ZONE = """
[[zones]]
id = "zone-{z}"
site = "yard"
name = "Zone {z}"
kind = "{kind}"
{extra}
"""
SENSOR = """
[[sensors]]
id = "sensor-{n}"
zone = "zone-{z}"
interval_s = {every}
[[sensors.measures]]
quantity = "air_temperature_c"
unit = "Cel"
[[sensors.measures]]
quantity = "relative_humidity_frac"
unit = "%RH"
max_rate_per_min = 10
"""


def shop(folder: Path, port: int, url: str, sensors: int, zones: int, *, tick_s: float, every: float) -> Path:
    text = HEAD.format(tick_s=tick_s, port=port, url=url)
    for z in range(zones):
        text += ZONE.format(z=z, kind="hall", extra="max_relative_humidity_frac = 0.8")
    text += "".join(SENSOR.format(n=n, z=n % zones, every=every) for n in range(sensors))
    file = folder / "shop.toml"
    file.write_text(text, encoding="utf-8")
    return file


SITE = """
[[sites]]
id = "site-{z}"
name = "Site {z}"
[[plates]]
id = "plate-{z}"
zone = "zone-{z}"
name = "Plate {z}"
thickness_m = 0.05
"""
COOL_C, WARM_C = 14.0, 20.0


def wet_shop(folder: Path, port: int, url: str, sensors: int, zones: int, *, tick_s: float) -> Path:
    """A site for every zone, so that each warning is the first of its own; a thick plate lies in each."""
    file = shop(folder, port, url, sensors, zones, tick_s=tick_s, every=1.0)
    text = file.read_text(encoding="utf-8").replace(
        'unit = "Cel"\n', 'unit = "Cel"\nmax_rate_per_min = 1000\n'
    )
    for z in range(zones):
        zone = f'id = "zone-{z}"\nsite = '
        text = text.replace(zone + '"yard"', zone + f'"site-{z}"') + SITE.format(z=z)
    file.write_text(text, encoding="utf-8")
    return file


def connect(port: int) -> mqtt.Client:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.connect(HOST, port)
    client.loop_start()
    wait_until(client.is_connected, "the publisher to connect")
    return client


def topic(n: int, zones: int) -> str:
    return f"dryshift/yard/zone-{n % zones}/sensor-{n}"


def message(humidity: float, celsius: float = 20.0) -> bytes:
    return encode_own(
        round(time.time(), 3), {Quantity.AIR_TEMPERATURE: celsius, Quantity.RELATIVE_HUMIDITY: humidity}
    )


def bare_latency(port: int, receiver: WebReceiver, rounds: int) -> list[float]:
    """The baseline: a plain subscriber that posts every message, on the same broker and receiver."""

    def forward(_client: object, _userdata: object, note: mqtt.MQTTMessage) -> None:
        requests.post(
            receiver.url, data=json.dumps({"key": "bare", "t": json.loads(note.payload)["t"]}), timeout=5
        )

    subscriber = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    subscriber.on_message = forward
    subscriber.connect(HOST, port)
    subscriber.subscribe("bare/#", qos=1)
    subscriber.loop_start()
    publisher = connect(port)
    time.sleep(0.5)
    took = []
    for _ in range(rounds):
        have = len(receiver.requests)
        began = time.perf_counter()
        publisher.publish("bare/x", json.dumps({"t": began}), qos=1)
        receiver.wait_for(have + 1)
        took.append(time.perf_counter() - began)
    for client in (subscriber, publisher):
        client.disconnect()
        client.loop_stop()
    return took


def latency(sensors: int = 500, zones: int = 50, rounds: int = 20, tick_s: float = 1.0) -> None:
    """Warm wet air comes into one zone after the other, over a cold plate; every sensor publishes at 1 Hz.

    From the publishing of the first such reading to the receipt of the warning, high priority, no delay set;
    once with all sensors of the zone in the wet air, once with a single one.
    """
    for shown_by in ("all sensors", "one sensor"):
        to_hook, bare = one_round(sensors, zones, rounds, tick_s, shown_by)
        report("bare: message to webhook", bare, bare)
        what = f"publish to webhook, high, {shown_by} ({sensors} x 1 Hz, tick {tick_s:g} s)"
        report(what, to_hook, bare)


def one_round(
    sensors: int, zones: int, rounds: int, tick_s: float, shown_by: str
) -> tuple[list[float], list[float]]:
    """Seconds from publishing to the receiver of a webhook, ours and bare."""
    with tempfile.TemporaryDirectory() as name, Mosquitto(Path(name)) as broker, web_receiver() as receiver:
        bare = bare_latency(broker.port, receiver, rounds)
        receiver.requests.clear()
        receiver.came_s.clear()
        service = Service(
            load(wet_shop(Path(name), broker.port, receiver.url, sensors, zones, tick_s=tick_s)),
            SystemClock(),
        )
        service.start()
        client, stop = connect(broker.port), threading.Event()
        humid: set[int] = set()
        published: dict[int, float] = {}

        def play() -> None:
            while not stop.is_set():
                began = time.monotonic()
                for n in range(sensors):
                    z = n % zones
                    wet = z in humid and (shown_by == "all sensors" or n == z)
                    if wet:
                        published.setdefault(z, time.time())
                    to = f"dryshift/site-{z}/zone-{z}/sensor-{n}"
                    client.publish(to, message(0.95 if wet else 0.5, WARM_C if wet else COOL_C), qos=1)
                stop.wait(max(0.0, 1.0 - (time.monotonic() - began)))

        player = threading.Thread(target=play)
        player.start()
        time.sleep(15)
        for z in range(rounds):
            humid.add(z)
            time.sleep(1.7)
        time.sleep(20)
        stop.set()
        player.join()
        came: dict[str, float] = {}
        for note, at_s in zip(receiver.messages, receiver.came_s, strict=True):
            if note["priority"] == "high" and str(note["subject"]).startswith("warning:"):
                came.setdefault(str(note["zone"]), at_s)
        service.stop()
        return [came[f"zone-{z}"] - at_s for z, at_s in published.items() if f"zone-{z}" in came], bare


def report(what: str, took: list[float], base: list[float]) -> None:
    if not took:
        print(f"{what}: nothing measured")
        return
    p50, p99 = float(np.quantile(took, 0.5)), float(np.quantile(took, 0.99))
    ratio = p50 / statistics.median(base)
    print(f"{what:70s} n {len(took):3d}  p50 {p50:7.3f} s  p99 {p99:7.3f} s  ratio {ratio:8.1f}")


def idle(sensors: int = 50, seconds: float = 60.0) -> None:
    """Processor time and memory with sensors that publish every 30 s, against a bare subscriber."""
    print(f"{'idle':30s} {'CPU %':>8s} {'RSS MB':>8s}")
    for what in (("bare_idle",), ("service_bench", "child-service")):
        command = [sys.executable, "-m", f"tests.bench.{what[0]}", *what[1:], str(sensors), str(seconds)]
        print(subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip())


def child(sensors: int, seconds: float) -> None:
    with tempfile.TemporaryDirectory() as name, Mosquitto(Path(name)) as broker:
        file = shop(Path(name), broker.port, "http://127.0.0.1:1/", sensors, 10, tick_s=10.0, every=30.0)
        service = Service(load(file), SystemClock())
        service.start()
        publisher = connect(broker.port)
        time.sleep(3)
        cpu0, began = time.process_time(), time.monotonic()
        while time.monotonic() - began < seconds:
            for n in range(sensors):
                publisher.publish(topic(n, 10), message(0.5), qos=1)
                time.sleep(30.0 / sensors)
        share = 100.0 * (time.process_time() - cpu0) / (time.monotonic() - began)
        print(
            f"{'service':30s} {share:8.2f} {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:8.0f}"
        )
        publisher.disconnect()
        publisher.loop_stop()
        service.stop()


def main() -> None:
    if sys.argv[1:2] == ["child-service"]:
        child(int(sys.argv[2]), float(sys.argv[3]))
        return
    if sys.argv[1:2] == ["latency"] and len(sys.argv) > 2:  # latency SENSORS ZONES ROUNDS [TICK_S]
        latency(*(int(word) for word in sys.argv[2:5]), *(float(word) for word in sys.argv[5:]))
        return
    wanted = sys.argv[1:] or ["latency", "idle"]
    for name, bench in (("latency", latency), ("idle", idle)):
        if name in wanted:
            bench()


if __name__ == "__main__":
    main()
