"""`dryshift setup`: asks what a lead knows, writes settings and secrets, starts it, and tells a phone."""

import grp
import os
import re
import subprocess
import tempfile
import tomllib
from collections.abc import Mapping
from pathlib import Path
from time import sleep
from typing import Any
from urllib.parse import urlsplit

import click

from monitor.cli.channel_commands import test_channel_command
from monitor.cli.enrol_command import enrol_command
from monitor.cli.reachable import addresses_of, as_code
from monitor.cli.setup_questions import QUESTIONS, SECRET, Answers, this_time_zone
from monitor.cli.setup_settings import PAGES_PORT, settings_text
from monitor.engine.build import build_shop, known_reference
from monitor.model.errors import DryshiftError, Fault, InputError
from monitor.mqtt.certificates import CA
from monitor.settings.file import load
from monitor.settings.reference import shared_folder
from monitor.store.private import private_folder, write_private
from monitor.wire.own_addresses import own_name

FILE = click.Path(path_type=Path)
SETTINGS = "shop.toml"
SERVICE = "dryshift"  # its unit, user and group
BROKER_FILE = "dryshift.conf"
BROKER_SETTINGS = Path("/etc/mosquitto/conf.d")
DEPLOYED = (Path("/usr/share/dryshift"), shared_folder().parent / "deploy")
LOG_S = 30
TRIES, TRY_AGAIN_S = 40, 0.5
START_S = 400  # the unit gives the service 300 until it is ready
# Tables of the settings, by the question whose answer stands there.
ASKED_AS = {"sites": "name", "zones": "places", "plates": "steel", "cylinders": "gas", "on_call": "people"}
ASKED_AS |= {"channels": "people", "web": "address"}
INIT_RUNS = Path("/run/systemd/system")


@click.command("setup")
@click.argument("folder", type=FILE, default=Path("/etc/dryshift"))
@click.option(
    "--answers", "answers_file", type=FILE, help="Answers in a TOML file, by name; nothing is asked."
)
@click.option(
    "--data", type=FILE, default=Path("/var/lib/dryshift"), show_default=True, help="Where data lie."
)
@click.option("--broker-files", type=FILE, default=Path("/etc/mosquitto/dryshift"), show_default=True)
@click.option("--start/--no-start", default=True, help="Start broker and service, and send a test message.")
def setup_command(
    folder: Path, answers_file: Path | None, data: Path, broker_files: Path, start: bool
) -> None:
    """Ask what a lead knows of the shop, and write its settings into FOLDER; nothing there is overwritten.

    Writes shop.toml and the secrets beside it, the broker's log-ins and certificate, starts both, prints the
    address for phones with its QR code, and ends with a test message to everybody who is told.
    """
    file = folder / SETTINGS
    _refuse_to_overwrite(file)
    places = (str(data), str(folder), str(broker_files))
    answers = _from_file(answers_file) if answers_file is not None else _asked(places)
    text, secrets = _checked(answers, places)
    _write(file, text, secrets)
    click.echo(f"Written: {file}")
    if answers["broker"] == "mosquitto":
        _prepare_broker(file, broker_files, answers["address"])
    if start:
        _start(answers["broker"] == "mosquitto")
    _say_address(answers["address"])
    if start:
        _say_first_link(answers["address"])
    if answers["broker"] == "mosquitto":
        click.echo(f"For each sensor, its settings to flash: dryshift enrol sensor {file} SENSOR")
    if start:
        _test_message(file)


def _refuse_to_overwrite(file: Path) -> None:
    there = [one for one in (file, *(file.parent / "secrets").glob("*")) if one.exists()]
    if there:
        fix = "is there and stays as it is; change it with an editor, or name another folder"
        raise InputError([Fault("setup", str(one), fix) for one in there])
    place = next(one for one in (file.parent, *file.parents) if one.exists())
    if not os.access(place, os.W_OK):
        raise InputError(
            [Fault("setup", str(file.parent), "may not be written by this user; run it as root")]
        )


def _default(name: str) -> str | None:
    found = QUESTIONS[name][2]
    if name == "timezone":
        return this_time_zone()
    if name == "address":
        return next(iter(addresses_of("0.0.0.0", PAGES_PORT)), None)
    return found


def _from_file(file: Path) -> Answers:
    """The answers of a file; every fault at once."""
    try:
        given = tomllib.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError([Fault("answers", str(file), f"cannot be read: {error}")]) from error
    faults = [
        Fault(name, "an answer", "answers no question; remove it") for name in set(given) - set(QUESTIONS)
    ]
    answers: dict[str, Any] = {"hosts": [own_name()] if own_name() else []}
    for name, (_, several, _, _, when) in QUESTIONS.items():
        if when(answers):
            lines = given.get(name, _default(name))
            if lines is None:
                faults.append(Fault(name, "nothing", "is needed; answer it"))
                continue
            listed = lines if isinstance(lines, list) else [lines] if lines != "" or not several else []
            answers[name] = _taken(name, [_said(one) for one in listed], faults)
    if faults:
        raise InputError(faults)
    return answers


def _said(value: object) -> str:
    return {True: "yes", False: "no"}.get(value, str(value)) if isinstance(value, bool) else str(value)


def _taken(name: str, lines: list[str], faults: list[Fault]) -> Any:
    _, several, default, check, _ = QUESTIONS[name]
    taken = []
    for number, line in enumerate(lines):
        try:
            taken.append(check(line))
        except ValueError as error:
            faults.append(Fault(f"{name}[{number}]" if several else name, _hidden(name, line), str(error)))
    if several and not lines and default is None:
        faults.append(Fault(name, "nothing", "is needed; answer it"))
    return tuple(taken) if several else next(iter(taken), None)


def _hidden(name: str, line: str) -> str:
    return "a secret" if name == SECRET else repr(line)


def _asked(places: tuple[str, str, str]) -> Answers:
    """The answers of somebody at a terminal; what cannot be taken is said and asked again."""
    answers: dict[str, Any] = {"hosts": [own_name()] if own_name() else []}
    wanted = set(QUESTIONS)
    while wanted:
        for name, (_, several, _, _, when) in QUESTIONS.items():
            if name in wanted and when(answers):
                answers[name] = _several(name) if several else _one(name, _default(name))
        try:
            _checked(answers, places)
            wanted = set()
        except InputError as error:  # answers that do not fit each other
            tables = {re.split(r"[.\[]", fault.field)[0] for fault in error.faults}
            wanted = {ASKED_AS.get(table, table) for table in tables} & set(answers)
            if not wanted:
                raise
            for fault in error.faults:
                click.echo(f"  {fault}", err=True)
    return answers


def _one(name: str, default: str | None) -> Any:
    words, _, _, check, _ = QUESTIONS[name]
    while True:
        line = click.prompt(
            words, default=default, show_default=bool(default), hide_input=name == SECRET, type=str
        )
        try:
            return check(line)
        except ValueError as error:
            click.echo(f"  {_hidden(name, line)}: {error}", err=True)


def _several(name: str) -> tuple[Any, ...]:
    words, _, default, check, _ = QUESTIONS[name]
    found: list[Any] = []
    click.echo(f"{words}. One a line; an empty line ends it.")
    while True:
        line = click.prompt(f"  {len(found) + 1}", default="", show_default=False, type=str).strip()
        if not line and (found or default is not None):
            return tuple(found)
        try:
            found.append(check(line))
        except ValueError as error:
            click.echo(f"  {line!r}: {error}", err=True)


def _checked(answers: Answers, places: tuple[str, str, str]) -> tuple[str, dict[str, str]]:
    """What is to be written, in order before it is: an InputError says what of the answers is not."""
    text, secrets = settings_text(answers, *places)
    with tempfile.TemporaryDirectory(prefix="dryshift-setup-") as place:
        (Path(place) / "secrets").mkdir(mode=0o700)
        for name, secret in secrets.items():
            write_private(Path(place) / "secrets" / name, secret.encode())
        write_private(Path(place) / SETTINGS, text.encode())
        build_shop(load(Path(place) / SETTINGS, None, known_reference()))
    return text, secrets


def _write(file: Path, text: str, secrets: Mapping[str, str]) -> None:
    """The settings last: while they are not there, nothing starts on half of them."""
    private_folder(file.parent / "secrets")
    for name, secret in secrets.items():
        write_private(file.parent / "secrets" / name, f"{secret}\n".encode())
    group = _group()
    if group is not None:
        os.chown(file.parent, 0, group)
        file.parent.chmod(0o750)
    write_private(file, text.encode(), group)


def _group() -> int | None:
    """The service's own group, where this machine has one and we may give it away."""
    try:
        return grp.getgrnam(SERVICE).gr_gid if os.geteuid() == 0 else None
    except KeyError:
        return None


def _prepare_broker(file: Path, broker_files: Path, address: str) -> None:
    """Log-ins, access list and certificate; what cannot be done is said, with the line to type."""
    dialled = urlsplit(address).hostname or ""
    names = [dialled, *filter(None, [own_name()])]
    for words in (["authority", str(file), *dict.fromkeys(names)], ["service", str(file)]):
        try:
            enrol_command.main(words, standalone_mode=False)
        except DryshiftError as error:
            click.echo(f"  {error}\n  When it is mended, type: dryshift enrol {' '.join(words)}", err=True)
    try:
        (file.parent / CA).write_bytes((broker_files / CA).read_bytes())
        (file.parent / CA).chmod(0o644)
    except OSError as error:
        click.echo(f"  {file.parent / CA}: {error.strerror}; copy {broker_files / CA} there", err=True)
    ready = next((one for place in DEPLOYED if (one := place / "mosquitto" / BROKER_FILE).exists()), None)
    target = BROKER_SETTINGS / BROKER_FILE
    if ready is None or not BROKER_SETTINGS.is_dir() or not os.access(BROKER_SETTINGS, os.W_OK):
        click.echo(
            f"  The broker's own settings go to {target} (apt-get install mosquitto): {BROKER_FILE}", err=True
        )
    elif not target.exists():
        text = ready.read_text(encoding="utf-8").replace("/etc/mosquitto/dryshift", str(broker_files))
        target.write_text(text, encoding="utf-8")
        click.echo(f"Written: {target}")


def _start(broker: bool) -> None:
    if not INIT_RUNS.is_dir():
        click.echo("No init system runs here; start it with: dryshift run")
        return
    for unit in (*(["mosquitto"] if broker else []), SERVICE):
        command = ["systemctl", "restart", unit]
        done = subprocess.run(command, check=False, capture_output=True, timeout=START_S)
        if done.returncode:
            click.echo(f"  {unit} did not start: journalctl -u {unit} says why", err=True)
        else:
            click.echo(f"Started: {unit}")


def _say_first_link(address: str) -> None:
    """The service wrote it into its log, which root alone reads."""
    if not INIT_RUNS.is_dir():
        return
    command = ["journalctl", "--unit", SERVICE, "--boot", "--output", "cat", "--lines", "50", "--no-pager"]
    for _ in range(TRIES):  # it is ready a moment before it says so
        said = subprocess.run(command, check=False, capture_output=True, text=True, timeout=LOG_S).stdout
        links = re.findall(rf"{re.escape(address)}/join/\S+", said)
        if links:
            click.echo(f"Your own password is chosen here, once: {links[-1]}\n{as_code(links[-1])}")
            return
        sleep(TRY_AGAIN_S)
    click.echo("  The link to choose your own password is in: journalctl -u dryshift", err=True)


def _say_address(address: str) -> None:
    click.echo(f"\nOpen on the phone: {address}\n{as_code(address)}")


def _test_message(file: Path) -> None:
    try:
        test_channel_command.main([str(file), "--who", "the first set-up"], standalone_mode=False)
    except SystemExit as ended:
        if ended.code:
            click.echo("  Not everybody was reached; mend it, then: dryshift test-channel", err=True)
    except DryshiftError as error:
        click.echo(f"  {error}", err=True)
