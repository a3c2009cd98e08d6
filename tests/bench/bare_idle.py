"""The bare side of `service_bench idle`: a subscriber that reads JSON, and imports nothing of the service.

Run by service_bench: python -m tests.bench.bare_idle SENSORS SECONDS.
"""

import json
import resource
import sys
import tempfile
import time
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.brokers import HOST, Mosquitto, wait_until


def main() -> None:
    sensors, seconds = int(sys.argv[1]), float(sys.argv[2])
    with tempfile.TemporaryDirectory() as name, Mosquitto(Path(name)) as broker:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        client.on_message = lambda _c, _u, note: json.loads(note.payload)
        client.connect(HOST, broker.port)
        client.loop_start()
        wait_until(client.is_connected, "the subscriber to connect")
        client.subscribe("dryshift/#", qos=1)
        before, began = time.process_time(), time.monotonic()
        while time.monotonic() - began < seconds:
            for n in range(sensors):
                payload = json.dumps({"t": round(time.time(), 3), "air_temperature_c": 20.0, "rh": 0.5})
                client.publish(f"dryshift/yard/zone-{n % 10}/sensor-{n}", payload, qos=1)
                time.sleep(30.0 / sensors)
        share = 100.0 * (time.process_time() - before) / (time.monotonic() - began)
        held_mb = int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 1e6
        print(f"{'bare':30s} {share:8.2f} {held_mb:8.0f}")
        client.disconnect()
        client.loop_stop()


if __name__ == "__main__":
    main()
