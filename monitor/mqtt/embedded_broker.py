"""The embedded broker: a compiled MQTT broker in a child process, for the demo and the smallest shops.

Its limits, which the pages and the README repeat: it keeps everything in memory, so sessions and
retained messages go when it restarts; a service that falls more than SEGMENT_COUNT segments of one
subscription behind (measured: some 88 000 messages of two readings) silently loses the oldest; and it
takes 28 MB of memory at rest and 83 MB when that full. A real shop runs Mosquitto.
"""

import json
import os
import socket
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from paho.mqtt.enums import MQTTErrorCode

from monitor.clock import monotonic_s
from monitor.model.errors import DryshiftError, Fault, InputError
from monitor.model.payload import PASSED_ON_BYTES
from monitor.mqtt.client import make_probe
from monitor.settings.schema import MqttSection

if TYPE_CHECKING:
    import iotcore

SEGMENT_BYTES = 1_048_576
SEGMENT_COUNT = 16
MAX_CONNECTIONS = 500
EMBEDDED_WINDOW = 100  # messages it sends ahead of their acknowledgement, whatever is asked for
START_S = 10.0
EVERYWHERE, HERE = "0.0.0.0", "127.0.0.1"


class BrokerError(DryshiftError):
    """The embedded broker did not start."""


class EmbeddedBroker:
    """Starts and stops the child process; it also ends by itself when this process does."""

    def __init__(self, settings: MqttSection, folder: Path | None = None) -> None:
        self._settings = settings
        self._folder = folder
        self._file: Path | None = None
        self._broker: iotcore.Broker | None = None
        self._host = settings.host
        self._port = settings.port
        self._port_311 = settings.port_311

    @property
    def address(self) -> tuple[str, int]:
        """Where clients on this machine reach it."""
        return HERE if self._host == EVERYWHERE else self._host, self._port

    @property
    def port_311(self) -> int | None:
        """Where sensors that speak MQTT 3.1.1 connect, if it is not the same port."""
        return self._port_311

    def start(self) -> None:
        """Listen, or raise: InputError when the port is taken, BrokerError when it will not start."""
        self._host = _ipv4(self._settings.host)
        self._port = _open_port(self._host, self._settings.port)
        if self._settings.port_311 is not None:
            self._port_311 = _open_port(self._host, self._settings.port_311)
        self._file = self._write_file()
        import iotcore  # not needed where sensors publish to a broker of the shop's own

        self._broker = iotcore.Broker(config_path=str(self._file))
        try:
            self._broker.start(START_S)
        except (OSError, RuntimeError) as error:
            self.stop()
            where = f"{self._host}:{self._port}"
            raise BrokerError(f"the embedded broker did not start on {where}: {error}") from error

    def stop(self) -> None:
        """End the child process and remove its file."""
        if self._broker is not None:
            self._broker.stop()
            self._broker = None
        if self._file is not None:
            self._file.unlink(missing_ok=True)
            self._file = None

    def is_healthy(self, timeout_s: float = 2.0) -> bool:
        """Whether the process lives and lets a client in."""
        return self._broker is not None and self._broker.is_running and self._answers(timeout_s)

    def _answers(self, timeout_s: float) -> bool:
        """Whether a client is let in; what trickles or hangs is given up at the end of the whole time."""
        ends_s = monotonic_s() + timeout_s
        answers: list[bool] = []
        client = make_probe(self._settings, answers.append)
        client.connect_timeout = timeout_s
        try:
            client.connect(*self.address)
            while not answers and (left_s := ends_s - monotonic_s()) > 0.0:
                if client.loop(left_s) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                    break
        except OSError:
            return False
        finally:
            used = client.socket()
            client.disconnect()
            if used is not None:
                used.close()
        return answers == [True]

    def _write_file(self) -> Path:
        """The broker's own configuration; it may hold the password, so only the owner reads it."""
        folder = self._folder or Path(tempfile.gettempdir())
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"dryshift-broker-{self._port}.toml"
        path.unlink(missing_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(self._configuration())
        return path

    def _configuration(self) -> str:
        lines = [
            "id = 0",
            "[router]",
            "id = 0",
            f"max_connections = {MAX_CONNECTIONS}",
            "max_outgoing_packet_count = 200",
            f"max_segment_size = {SEGMENT_BYTES}",
            f"max_segment_count = {SEGMENT_COUNT}",
            *self._listener("v5" if self._settings.protocol == "5" else "v4", self._port),
        ]
        if self._port_311 is not None:
            lines += self._listener("v4", self._port_311)
        return "\n".join(lines) + "\n"

    def _listener(self, version: str, port: int) -> list[str]:
        """One port, which speaks one version of MQTT; a client of another is dropped without a word."""
        settings = self._settings
        lines = [
            f"[{version}.1]",
            f'name = "sensors-{version}"',
            f'listen = "{self._host}:{port}"',
            "next_connection_delay_ms = 1",
            f"[{version}.1.connections]",
            "connection_timeout_ms = 10000",
            f"max_payload_size = {PASSED_ON_BYTES}",
            f"max_inflight_count = {EMBEDDED_WINDOW}",
            "dynamic_filters = true",
        ]
        if settings.username is not None and settings.password is not None:
            password = json.dumps(settings.password.get_secret_value())
            lines += [f"[{version}.1.connections.auth]", f"{json.dumps(settings.username)} = {password}"]
        return lines


def _ipv4(host: str) -> str:
    """The broker listens on an IPv4 address; a name is looked up."""
    try:
        return socket.gethostbyname(host)
    except OSError as error:
        fix = f"is no IPv4 address of this machine ({error.strerror}); use {HERE} or {EVERYWHERE}"
        raise InputError([Fault("mqtt.host", host, fix)]) from error


def _open_port(host: str, port: int) -> int:
    """The port, or a free one for 0; tried first, so that the reason for a refusal can be named."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            fix = (
                f"cannot be listened on ({error.strerror}); end the other broker, choose another port "
                'or 0 for any free one, or set mqtt.broker = "external" to use what runs there'
            )
            raise InputError([Fault("mqtt.host and port", f"{host}:{port}", fix)]) from error
        return int(probe.getsockname()[1])
