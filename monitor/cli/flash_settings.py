"""What is flashed onto a sensor, as text, as a QR code, and as a file for a cable."""

import base64
import io
import json
import ssl
from pathlib import Path
from typing import Any

import click
import segno

from monitor.model.errors import Fault, InputError
from monitor.model.reading import Quantity
from monitor.mqtt.broker_rights import topics_of
from monitor.mqtt.certificates import CA
from monitor.settings.schema import Settings
from monitor.store.private import write_private

LOOPBACK = ("127.0.0.1", "localhost", "::1", "0.0.0.0")


def to_flash(settings: Settings, sensor: str, login: str, password: str) -> dict[str, Any]:
    """The settings of one sensor, as deploy/sensor/ reads them; the network's name is added there."""
    mqtt = settings.mqtt
    host = mqtt.sensors_dial or mqtt.host
    if host in LOOPBACK:
        fix = "no sensor reaches this machine there; write its name or address on the shop's network"
        raise InputError([Fault("mqtt.sensors_dial", host, fix)])
    (own,) = (one for one in settings.sensors if one.id == sensor)
    told: dict[str, Any] = {
        "wifi": "",
        "wifi_password": "",
        "host": host,
        "port": mqtt.port,
        "user": login,
        "password": password,
        "topic": topics_of(settings)[sensor],
        "every_s": own.interval_s,
        "battery": any(measure.quantity is Quantity.BATTERY for measure in own.measures),
    }
    certificate = _certificate(settings)
    return told | ({"ca": certificate} if certificate else {})


def _certificate(settings: Settings) -> str:
    """The shop's authority, which the sensor holds the broker's certificate against; empty without TLS.

    DER in Base64, which is shorter than PEM and what a small board's TLS takes.
    """
    if settings.mqtt.ca_file is None:
        return ""
    try:
        der = ssl.PEM_cert_to_DER_cert(settings.mqtt.ca_file.read_text(encoding="ascii"))
        return base64.b64encode(der).decode()
    except (OSError, ValueError) as error:
        fix = f"cannot be read ({error}); copy the broker's {CA} there, as `dryshift enrol authority` made it"
        raise InputError([Fault("mqtt.ca_file", str(settings.mqtt.ca_file), fix)]) from error


def print_to_flash(login: str, told: dict[str, Any], folder: Path | None) -> None:
    """Print it, and write it where a folder is named."""
    text = json.dumps(told, separators=(",", ":"))
    click.echo(
        f"\nsettings.json of {login} for {told['topic']}; the password is not shown again:\n\n{text}\n"
    )
    drawn = io.StringIO()
    code: Any = segno.make_qr(text, error="l")  # its stub's overloads hide the method
    code.terminal(out=drawn, compact=True, border=2)
    click.echo(drawn.getvalue())
    if folder is not None:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        name = told["topic"].rpartition("/")[2]
        write_private(folder / f"{name}.json", text.encode())
        click.echo(f"written to {folder / name}.json")
