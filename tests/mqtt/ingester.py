"""A process of its own that takes readings into a SQLite file, for the crash tests: run with -m."""

import sys
import threading
from pathlib import Path

from monitor.clock import SystemClock
from monitor.mqtt.sensor_topics import SensorCatalogue
from monitor.mqtt.session import IngestSession
from monitor.store.series.sqlite_series import SqliteSeriesStore
from tests.mqtt.yard import sensor, settings_with


def main() -> None:
    port, file = int(sys.argv[1]), Path(sys.argv[2])
    settings = settings_with(
        sensor("slip-1"),
        sensor("slip-2"),
        sensor("slip-3", "number"),
        port=port,
        commit_s=0.02,
        commit_count=50,
    )
    store = SqliteSeriesStore(file)
    session = IngestSession(settings.mqtt, SensorCatalogue.from_settings(settings), store, SystemClock())
    session.start()
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    threading.Event().wait()


if __name__ == "__main__":
    main()
