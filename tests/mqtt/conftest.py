"""Brokers and sessions for the ingest tests."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from monitor.clock import SystemClock
from monitor.mqtt.embedded_broker import EmbeddedBroker
from monitor.mqtt.sensor_topics import SensorCatalogue
from monitor.mqtt.session import IngestSession
from monitor.settings.schema import MqttSection, Settings
from tests.brokers import Mosquitto, wait_until
from tests.mqtt.yard import MemoryStore

QUICK = {"commit_s": 0.02, "keepalive_s": 5}
StartSession = Callable[..., IngestSession]


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A Mosquitto that keeps sessions over a restart."""
    with Mosquitto(tmp_path) as broker:
        yield broker


@pytest.fixture(params=["mosquitto", "embedded"])
def port(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[int]:
    """The port of each kind of broker in turn."""
    if request.param == "mosquitto":
        with Mosquitto(tmp_path) as broker:
            yield broker.port
    else:
        embedded = EmbeddedBroker(MqttSection(port=0), tmp_path)
        embedded.start()
        yield embedded.address[1]
        embedded.stop()


@pytest.fixture
def start_session() -> Iterator[StartSession]:
    """Starts sessions, waits until they are connected and subscribed, and stops them after the test."""
    with ExitStack() as stack:

        def start(settings: Settings, store: MemoryStore, *, wait: bool = True, **more: Any) -> IngestSession:
            catalogue = more.pop("catalogue", None) or SensorCatalogue.from_settings(settings)
            session = IngestSession(settings.mqtt, catalogue, store, SystemClock(), **more)  # type: ignore[arg-type]
            session.start()
            stack.callback(session.stop)
            if wait:
                wait_until(lambda: session.status().subscribed, "the session to subscribe")
            return session

        yield start
