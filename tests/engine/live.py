"""A whole service on a real Mosquitto with a sensor that goes on sending, for tests of what goes wrong."""

import threading
import time
from collections.abc import Callable
from pathlib import Path

from monitor.clock import Clock
from monitor.engine.service import Service
from monitor.model.picture import AlarmNow, Part
from monitor.model.reading import Quantity, SeriesKey
from monitor.mqtt.encode import encode_own
from monitor.settings.file import load
from tests.brokers import Mosquitto, Publisher, wait_until
from tests.engine.yard import TOPIC, AnchoredClock, humid_evening, write_shop

SPEED = 240.0
EVERY_S = 20.0
KEY = SeriesKey("slip-bay", "bay-1", Quantity.AIR_TEMPERATURE)


class Sensor:
    """Sends a reading every so many seconds of its clock, whatever becomes of broker and service."""

    def __init__(self, port: int, clock: Clock, first_minute: float, every_s: float) -> None:
        self._publisher = Publisher(port)
        self._clock = clock
        self._every_s = every_s
        self._minute = first_minute
        self._stopping = threading.Event()
        self._taken: list[int] = []  # by the broker; what could not be sent waits in the client
        self._publisher.client.on_publish = lambda _c, _u, mid, *_: self._taken.append(mid)
        self.sent: list[float] = []
        self.held: float | None = None  # a minute of the evening at which the air stands still
        self._thread = threading.Thread(target=self._send, name="sensor", daemon=True)
        self._thread.start()

    def _send(self) -> None:
        time_s = float(round(self._clock.now_s()))
        while not self._stopping.is_set():
            wait_s = self._clock.real_seconds(time_s - self._clock.now_s())
            if wait_s > 0 and self._stopping.wait(wait_s):
                return
            if (
                time_s - self._clock.now_s() > self._every_s
            ):  # the clock was set back while it slept, and it asks the time
                time_s = float(round(self._clock.now_s()))
            celsius, percent = self._air()
            values = {Quantity.AIR_TEMPERATURE: celsius, Quantity.RELATIVE_HUMIDITY: percent / 100.0}
            payload = encode_own(time_s, values, len(self.sent))
            self._publisher.client.publish(TOPIC, payload, qos=1)
            self.sent.append(time_s)
            time_s += self._every_s
            self._minute += self._every_s / 60.0

    def _air(self) -> tuple[float, float]:
        return humid_evening(self._minute if self.held is None else self.held)

    def stop(self) -> list[float]:
        """Send no more; returns when the broker has everything, with the times sent."""
        self._stopping.set()
        self._thread.join()
        wait_until(lambda: len(self._taken) >= len(self.sent), "the broker to have it all", 30)
        self._publisher.close()
        return self.sent


class LiveYard:
    """Broker, service and sensor; everything is stopped at the end, whatever happened."""

    def __init__(
        self,
        folder: Path,
        phone_url: str,
        *,
        extra: str = "",
        clock: Clock | None = None,
        first_minute: float = 20.0,
        changes: dict[str, str] | None = None,
        every_s: float = EVERY_S,
    ) -> None:
        self.folder = folder
        self.broker = Mosquitto(folder)
        self.clock = clock or AnchoredClock(time.time(), SPEED)
        file = write_shop(folder, self.broker.port, phone_url)
        text = file.read_text(encoding="utf-8") + extra
        for old, new in (changes or {}).items():
            assert old in text
            text = text.replace(old, new)
        file.write_text(text, encoding="utf-8")
        self.settings = load(file)
        self._first_minute = first_minute
        self._every_s = every_s
        self.service: Service
        self.sensor: Sensor
        self.sent: list[float] = []

    def __enter__(self) -> "LiveYard":
        self.broker.start()
        try:
            self.service = Service(self.settings, self.clock)
            self.service.start()
            self.sensor = Sensor(self.broker.port, self.clock, self._first_minute, self._every_s)
        except BaseException:
            self.broker.stop()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        try:
            self.sent = self.sensor.stop()
            self.service.stop()
        finally:
            self.broker.stop()

    def part(self, name: str) -> Part:
        """How one part of the service is, as the pages show it."""
        return next(part for part in self.service.snapshot().parts if part.name == name)

    def alarm(self, condition: str) -> AlarmNow | None:
        """An alarm on the pages."""
        return next((a for a in self.service.snapshot().alarms if a.condition == condition), None)

    def until(self, condition: Callable[[], bool], what: str, timeout_s: float = 60.0) -> None:
        wait_until(condition, what, timeout_s)

    def all_stored(self, *, patience_s: float = 60.0) -> None:
        """Every reading that the sensor has sent so far gets into the store, once."""
        sent = list(self.sensor.sent)

        def stored() -> list[float]:
            times: list[float] = self.service.series.slice(KEY, 0, 4e9).time_s.tolist()
            return times

        wait_until(lambda: set(sent) <= set(stored()), "every reading to be stored", patience_s)
        times = stored()
        assert len(set(times)) == len(times)

    def judged_up_to_now(self, patience_s: float = 60.0) -> None:
        """The core has caught up."""
        until_s = self.clock.now_s()
        wait_until(
            lambda: self.service.loop.state.time_s >= until_s - 60.0, "the core to catch up", patience_s
        )
