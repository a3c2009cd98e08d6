"""A broker of deploy/mosquitto/ with files that `dryshift enrol` wrote, and clients that log in there."""

import json
import re
import ssl
import time
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from click.testing import CliRunner, Result
from paho.mqtt.enums import CallbackAPIVersion

from monitor.cli.main import main
from monitor.engine.build import known_reference
from monitor.mqtt.encode import encode_own
from monitor.settings.file import load
from monitor.settings.schema import Settings
from tests.brokers import HOST, Mosquitto, wait_until
from tests.mqtt.yard import AIR

DEPLOY = Path(__file__).resolve().parents[2] / "deploy" / "mosquitto"
NOBODY_LISTENS = 0x10
INSTALLED = "/etc/mosquitto/dryshift"
SHOP = """
[service]
data_dir = "var"
[mqtt]
broker = "external"
port = {port}
username = "dryshift"
password = "@broker-password"
check_username = "dryshift-check"
check_password = "@broker-check-password"
access_dir = "."
sensors_dial = "broker.example"
ca_file = "{folder}/ca.crt"
commit_s = 0.02
keepalive_s = 5
[[sites]]
id = "ferrymoor"
name = "Ferrymoor Slipway"
[[zones]]
id = "slip-bay"
site = "ferrymoor"
name = "Slip Bay"
"""
SENSOR = """
[[sensors]]
id = "{name}"
zone = "slip-bay"
{more}
measures = [{{ quantity = "air_temperature_c", unit = "Cel" }}]
"""


class Deployed:
    """The broker, the settings of its shop, and the passwords that were printed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.passwords: dict[str, str] = {}
        self.broker = Mosquitto.deployed(folder, DEPLOY / "dryshift.conf", INSTALLED)
        self.file = folder / "shop.toml"
        shop = SHOP.format(port=self.broker.port, folder=folder)
        names = ("slip-1", "slip-2", "slip-bay")
        sensors = "".join(SENSOR.format(name=name, more="") for name in names)
        own = SENSOR.format(name="slip-4", more='topic = "old/logger/4"')
        self.file.write_text(shop + sensors + own, encoding="utf-8")
        assert self.enrol("service", str(self.file)).exit_code == 0
        assert self.enrol("authority", str(self.file), "broker.example", HOST).exit_code == 0

    def enrol(self, *arguments: str) -> Result:
        """Run `dryshift enrol`; it tells this broker."""
        return CliRunner().invoke(main, ["enrol", "--pid-file", str(self.folder / "pid"), *arguments])

    def sensor(self, name: str, *how: str) -> dict[str, Any]:
        """Enrol one; returns what was printed to flash."""
        said = self.enrol("sensor", str(self.file), name, *how)
        assert said.exit_code == 0, said.output
        (told,) = re.findall(r"^\{.*\}$", said.output, re.MULTILINE)
        flashed: dict[str, Any] = json.loads(told)
        self.passwords[name] = flashed["password"]
        return flashed

    def check(self) -> Result:
        """Run `dryshift check`."""
        return CliRunner().invoke(main, ["check", str(self.file)])

    def settings(self) -> Settings:
        """As the service reads them."""
        return load(self.file, None, known_reference())

    def login(self, user: str, **how: Any) -> "LogIn":
        """A client that logs in so."""
        return LogIn(self, user, how.pop("password", self.passwords.get(user, "")), **how)


class LogIn:
    """An encrypted client, and what the broker answered it."""

    def __init__(
        self, at: Deployed, user: str, password: str, client_id: str = "", clean_start: bool = True
    ) -> None:
        self.answers: dict[str, int] = {}
        self._sent: dict[int, str] = {}
        self.refusal = ""
        self.client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id, protocol=mqtt.MQTTv5, reconnect_on_failure=False
        )
        self.client.username_pw_set(user, password)
        self.client.tls_set_context(ssl.create_default_context(cafile=at.folder / "ca.crt"))
        self.client.on_publish = lambda _c, _d, mid, code, _p: self.answers.update(
            {self._sent.get(mid, ""): code.value}
        )
        self.client.on_connect = self._on_connect
        self.client.connect(HOST, at.broker.port, clean_start=clean_start)
        self.client.loop_start()
        wait_until(lambda: self.client.is_connected() or self.refusal != "", "the broker's answer")

    def _on_connect(self, *said: Any) -> None:
        if said[3].is_failure:
            self.refusal = str(said[3])

    def send(self, topic: str, payload: bytes | None = None) -> int:
        """Publish a reading, or the payload; returns the broker's reason code (MQTT 5, 3.4.2.1).

        That nobody listens (0x10) is a success like any other.
        """
        self.answers.pop(topic, None)
        payload = encode_own(round(time.time(), 3), {AIR: 17.4}) if payload is None else payload
        self._sent[self.client.publish(topic, payload, qos=1).mid] = topic
        wait_until(lambda: topic in self.answers, "the broker's answer")
        return 0 if self.answers[topic] == NOBODY_LISTENS else self.answers[topic]

    def close(self) -> None:
        """Disconnect."""
        self.client.disconnect()
        self.client.loop_stop()

    def __enter__(self) -> "LogIn":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
