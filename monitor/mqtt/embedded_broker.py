"""The embedded broker: a compiled MQTT broker in a child process, for the demo and the smallest shops.

Its limits, which the pages and the README repeat: it keeps everything in memory, so sessions and
retained messages go when it restarts; a service that falls more than SEGMENT_COUNT segments of one
subscription behind (measured: some 88 000 messages of two readings) silently loses the oldest; and it
takes 28 MB of memory at rest and 83 MB when that full. A real shop runs Mosquitto.
"""

import json
import os
import secrets
import socket
import ssl
import tempfile
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from paho.mqtt.enums import MQTTErrorCode
from pydantic import SecretStr

from monitor.clock import monotonic_s
from monitor.model.errors import DryshiftError, Fault, InputError
from monitor.model.payload import PASSED_ON_BYTES
from monitor.mqtt.admission import Admission
from monitor.mqtt.client import make_probe
from monitor.mqtt.enrolment import CERTIFICATE, KEY
from monitor.mqtt.packets import V3, V5
from monitor.mqtt.sensor_gate import SensorGate
from monitor.settings.schema import MqttSection

if TYPE_CHECKING:
    import iotcore

SEGMENT_BYTES = 1_048_576
SEGMENT_COUNT = 16
MAX_CONNECTIONS = 500
EMBEDDED_WINDOW = 100  # messages it sends ahead of their acknowledgement, whatever is asked for
START_S = 10.0
TRIES = 3  # to start where another program takes a port between its choice and its use
WAITING = 64  # connections that the system holds until they are taken
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
        self._gate: SensorGate | None = None
        self._host = settings.host
        self._port = settings.port
        self._port_311 = settings.port_311
        self._inside: dict[int, tuple[str, int]] = {}
        self._login = ("", "")

    @property
    def address(self) -> tuple[str, int]:
        """Where clients on this machine reach its gate."""
        return HERE if self._host == EVERYWHERE else self._host, self._port

    def __str__(self) -> str:
        return "embedded broker {}:{}".format(*self.address)

    @property
    def port_311(self) -> int | None:
        """A second port, if there is one; both take MQTT 3.1.1 and 5."""
        return self._port_311

    def inside(self) -> MqttSection:
        """How this process reaches the broker itself, past the gate, under an id that nobody knows."""
        host, port = self._inside[V5 if self._settings.protocol == "5" else V3]
        name, password = self._login
        changes = {"host": host, "port": port, "username": name, "password": SecretStr(password)}
        changes |= {"client_id": f"{name}-{password}", "ca_file": None, "cert_file": None, "key_file": None}
        return self._settings.model_copy(update=changes)

    def start(self) -> None:
        """Listen, or raise: InputError when the port is taken, BrokerError when it will not start."""
        self._host = _ipv4(self._settings.host)
        tls = _encryption(self._settings)
        with ExitStack() as opened:
            doors = [opened.enter_context(_listening(self._host, self._settings.port))]
            self._port = doors[0].getsockname()[1]
            if self._settings.port_311 is not None:
                doors.append(opened.enter_context(_listening(self._host, self._settings.port_311)))
                self._port_311 = doors[1].getsockname()[1]
            self._start_inside()
            opened.pop_all()
        admission = Admission(self._settings)
        self._gate = SensorGate(admission, self._inside, self._login, tls)
        self._gate.start(doors)

    def _start_inside(self) -> None:
        """The broker itself, on ports of this machine alone and with a log-in of the moment."""
        if self._inside:  # started again, it is where the service looks for it
            self._start_child()
            return
        self._login = ("inside", secrets.token_urlsafe(24))
        for left in reversed(range(TRIES)):
            self._inside = _free_places()
            try:
                self._start_child()
            except BrokerError:
                self._inside = {}
                if not left:
                    raise
            else:
                return

    def _start_child(self) -> None:
        self._file = self._write_file()
        import iotcore  # not needed where sensors publish to a broker of the shop's own

        self._broker = iotcore.Broker(config_path=str(self._file))
        try:
            self._broker.start(START_S)
        except (OSError, RuntimeError) as error:
            self.stop()
            raise BrokerError(f"the embedded broker did not start: {error}") from error

    def stop(self) -> None:
        """End the gate and the child process, and remove its file."""
        if self._gate is not None:
            self._gate.stop()
            self._gate = None
        if self._broker is not None:
            self._broker.stop()
            self._broker = None
        if self._file is not None:
            self._file.unlink(missing_ok=True)
            self._file = None

    def is_healthy(self, timeout_s: float = 2.0) -> bool:
        """Whether gate and process live, and a client is let in."""
        lives = self._gate is not None and self._gate.is_alive and self._broker is not None
        return lives and bool(self._broker and self._broker.is_running) and self._answers(timeout_s)

    def _answers(self, timeout_s: float) -> bool:
        """Whether a client is let in; what trickles or hangs is given up at the end of the whole time."""
        ends_s = monotonic_s() + timeout_s
        answers: list[bool] = []
        inside = self.inside()
        client = make_probe(inside, answers.append)
        client.connect_timeout = timeout_s
        try:
            client.connect(inside.host, inside.port)
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
            *(line for level, where in self._inside.items() for line in self._listener(level, where)),
        ]
        return "\n".join(lines) + "\n"

    def _listener(self, level: int, where: tuple[str, int]) -> list[str]:
        """One port, which speaks one version of MQTT."""
        version, (name, password) = f"v{level}", self._login
        return [
            f"[{version}.1]",
            f'name = "sensors-{version}"',
            f'listen = "{where[0]}:{where[1]}"',
            "next_connection_delay_ms = 1",
            f"[{version}.1.connections]",
            "connection_timeout_ms = 10000",
            f"max_payload_size = {PASSED_ON_BYTES}",
            f"max_inflight_count = {EMBEDDED_WINDOW}",
            "dynamic_filters = true",
            f"[{version}.1.connections.auth]",
            f"{json.dumps(name)} = {json.dumps(password)}",
        ]


def _ipv4(host: str) -> str:
    """The broker listens on an IPv4 address; a name is looked up."""
    try:
        return socket.gethostbyname(host)
    except OSError as error:
        fix = f"is no IPv4 address of this machine ({error.strerror}); use {HERE} or {EVERYWHERE}"
        raise InputError([Fault("mqtt.host", host, fix)]) from error


def _free_places() -> dict[int, tuple[str, int]]:
    """Two ports of this machine that are free now; until the broker listens another program may take one."""
    with _listening(HERE, 0) as one, _listening(HERE, 0) as other:
        return {V5: one.getsockname()[:2], V3: other.getsockname()[:2]}


def _listening(host: str, port: int) -> socket.socket:
    """A socket that listens there, on a free port for 0; InputError with the reason where it cannot."""
    door = socket.socket()
    try:
        door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        door.bind((host, port))
        door.listen(WAITING)
    except OSError as error:
        door.close()
        fix = (
            f"cannot be listened on ({error.strerror}); end the other broker, choose another port "
            'or 0 for any free one, or set mqtt.broker = "external" to use what runs there'
        )
        raise InputError([Fault("mqtt.host and port", f"{host}:{port}", fix)]) from error
    return door


def _encryption(settings: MqttSection) -> ssl.SSLContext | None:
    """TLS where clients have an authority to hold it against, with what `dryshift enrol authority` made."""
    if settings.ca_file is None or settings.access_dir is None:
        return None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        context.load_cert_chain(settings.access_dir / CERTIFICATE, settings.access_dir / KEY)
    except OSError as error:
        fix = f"has no certificate that can be used ({error}); `dryshift enrol authority` makes one"
        raise InputError([Fault("mqtt.access_dir", str(settings.access_dir), fix)]) from error
    return context
