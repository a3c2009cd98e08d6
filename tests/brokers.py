"""Real brokers on free loopback ports: Mosquitto with a given configuration, and the embedded one."""

import shutil
import socket
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.ports import free_port

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
HOST = "127.0.0.1"
PERSISTENT = """
persistence true
persistence_location {folder}/
autosave_interval 1
"""
OPEN = """
allow_anonymous true
max_queued_messages 0
max_inflight_messages 2000
"""


class Mosquitto:
    """A Mosquitto of its own: started, stopped, killed and started again on the same port."""

    def __init__(self, folder: Path, extra: str = OPEN, *, persistent: bool = True, host: str = HOST) -> None:
        assert MOSQUITTO is not None, "the mosquitto package is not installed"
        self.port = free_port()
        self.folder = folder
        self.log = folder / "mosquitto.log"
        self.file = folder / "mosquitto.conf"
        kept = PERSISTENT.format(folder=folder) if persistent else ""
        self.file.write_text(f"user root\n{kept}listener {self.port} {host}\n{extra}", encoding="utf-8")
        self._process: subprocess.Popen[bytes] | None = None

    @classmethod
    def deployed(cls, folder: Path, conf: Path, installed: str) -> "Mosquitto":
        """By a configuration of deploy/, but for its port and the folder that its files lie in.

        What Debian's own mosquitto.conf says before it stands before it here.
        """
        broker = cls(folder)
        text = conf.read_text(encoding="utf-8").replace(installed, str(folder))
        before = f"user root\npersistence true\npersistence_location {folder}/\npid_file {folder}/pid\n"
        listener = f"\nlistener {broker.port} {HOST}\n"
        assert "\nlistener 8883\n" in text
        broker.file.write_text(before + text.replace("\nlistener 8883\n", listener), encoding="utf-8")
        return broker

    def start(self) -> None:
        """Start, and wait until it listens. It may stay root where the test is, to read the test's files."""
        with self.log.open("ab") as log:
            self._process = subprocess.Popen([str(MOSQUITTO), "-c", str(self.file)], stdout=log, stderr=log)
        wait_until(self._listens, f"Mosquitto to listen; its log is {self.log.read_text()}")

    def _listens(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, self.log.read_text()
        try:
            with socket.create_connection((HOST, self.port), 0.2):
                return True
        except OSError:
            return False

    def stop(self) -> None:
        """End it in good order; it saves what persists."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)
            self._process = None

    def kill(self) -> None:
        """End it as a power cut would."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)
            self._process = None

    def saved(self) -> bytes:
        """What it has on disk; it saves every second or two."""
        file = self.folder / "mosquitto.db"
        return file.read_bytes() if file.exists() else b""

    def __enter__(self) -> "Mosquitto":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()


class Publisher:
    """A plain client that stands for the sensors."""

    def __init__(
        self,
        port: int,
        *,
        protocol: mqtt.MQTTProtocolVersion = mqtt.MQTTv5,
        username: str | None = None,
        password: str | None = None,
    ) -> None:
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=protocol)
        if username is not None:
            self.client.username_pw_set(username, password)
        self.client.max_queued_messages_set(0)
        self.client.connect(HOST, port)
        self.client.loop_start()
        wait_until(self.client.is_connected, "the publisher to connect")

    def send(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = False) -> None:
        """Publish, and wait until the broker has it."""
        self.client.publish(topic, payload, qos=qos, retain=retain).wait_for_publish(10)

    def send_all(self, messages: list[tuple[str, bytes]]) -> None:
        """Publish many at QoS 1, and wait for the last."""
        last = None
        for topic, payload in messages:
            last = self.client.publish(topic, payload, qos=1)
        if last is not None:
            last.wait_for_publish(30)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def __enter__(self) -> "Publisher":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def wait_until(condition: Callable[[], bool], what: str, timeout_s: float = 60.0) -> None:
    """Poll a condition of another process or thread; the time only ends a wait for what will never be."""
    until = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < until, f"waited {timeout_s:g} s for {what}"
        time.sleep(0.01)
