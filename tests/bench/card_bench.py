"""What a small board's card is worn by: bytes that the service writes a day, with its memory and start.

Run: python -m tests.bench.card_bench [SENSORS [SECONDS [COMMIT_S …]]]. Prints a table, asserts nothing.
Sensors send every 30 s, spread over the time. The folder lies in TMPDIR: on a real disk, for one in memory
writes nothing. Counted are pages handed to the disk (proc(5), write_bytes); the file system's journal is not.
"""

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from monitor.clock import SystemClock
from tests.bench.service_bench import connect, message, shop, topic
from tests.brokers import Mosquitto

DAY_S = 86_400.0
EVERY_S = 30.0


def written_bytes() -> int:
    lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes"))


def child(sensors: int, seconds: float, commit_s: float) -> None:
    """The service alone in its process; the broker is another."""
    with tempfile.TemporaryDirectory() as name, Mosquitto(Path(name)) as broker:
        file = shop(Path(name), broker.port, "http://127.0.0.1:1/", sensors, 10, tick_s=10.0, every=EVERY_S)
        text = file.read_text(encoding="utf-8").replace("[mqtt]", f"[mqtt]\ncommit_s = {commit_s}", 1)
        file.write_text(text, encoding="utf-8")
        began = time.process_time()
        from monitor.engine.service import Service
        from monitor.settings.file import load

        service = Service(load(file), SystemClock())
        service.start()
        start_s = time.process_time() - began
        publisher = connect(broker.port)
        for n in range(sensors):  # what a first message enrols is written once
            publisher.publish(topic(n, 10), message(0.5), qos=1)
        time.sleep(5)
        before, started = written_bytes(), time.monotonic()
        sent = 0
        while time.monotonic() - started < seconds:
            publisher.publish(topic(sent % sensors, 10), message(0.5 + 0.001 * (sent % 97)), qos=1)
            sent += 1
            time.sleep(EVERY_S / sensors)
        share = DAY_S / (time.monotonic() - started)
        mb = (written_bytes() - before) * share / 1e6
        held = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"{sensors:8d} {commit_s:9.2f} {sent:9d} {mb:10.0f} {held:8.0f} {start_s:8.2f}")
        publisher.disconnect()
        publisher.loop_stop()
        service.stop()


def main() -> None:
    words = sys.argv[1:]
    if words[:1] == ["child"]:
        child(int(words[1]), float(words[2]), float(words[3]))
        return
    sensors, seconds = (words[:2] + ["50", "60"][len(words[:2]) :])[:2]
    print(
        f"{'sensors':>8s} {'commit s':>9s} {'messages':>9s} {'MB a day':>10s} {'RSS MB':>8s} {'start s':>8s}"
    )
    for commit_s in words[2:] or ["0.25", "2", "10"]:
        command = [sys.executable, "-m", "tests.bench.card_bench", "child", sensors, seconds, commit_s]
        print(subprocess.run(command, check=True, capture_output=True, text=True).stdout.rstrip())


if __name__ == "__main__":
    main()
