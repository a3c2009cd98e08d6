"""Runs the service in a process of its own, to be killed: settings file, anchor and speed are arguments."""

import signal
import sys
import threading
from pathlib import Path

from monitor.engine.service import Service
from monitor.settings.file import load
from tests.engine.yard import AnchoredClock


def main() -> None:
    file, anchor, speed = Path(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3])
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    service = Service(load(file), AnchoredClock(anchor, speed))
    service.start()
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    stop.wait()
    service.stop()


if __name__ == "__main__":
    main()
