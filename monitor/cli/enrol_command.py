"""`dryshift enrol`: log-ins and certificates of the shop's broker, and what is flashed onto a sensor."""

import tomllib
from pathlib import Path

import click

from monitor.cli.flash_settings import print_to_flash, to_flash
from monitor.cli.login_trial import said_of
from monitor.clock import SystemClock
from monitor.engine.build import known_reference
from monitor.model.errors import Fault, InputError
from monitor.mqtt import certificates
from monitor.mqtt.access_list import WRITE, Rights
from monitor.mqtt.broker_rights import asking_rights, lamp_rights, sensor_rights, service_rights, topics_of
from monitor.mqtt.enrolment import CERTIFICATE, PID_FILE, Enrolment, reload_broker
from monitor.mqtt.password_file import new_password
from monitor.settings.file import SECRET_SIGN, load
from monitor.settings.schema import Settings
from monitor.store.private import write_private

FILE = click.Path(path_type=Path)
SETTINGS = click.argument("settings_file", type=FILE)
RENEW = click.option("--renew", is_flag=True, help="A new password; the old one ends.")


class Enrolling:
    """What all of these commands are told."""

    def __init__(self, secrets: Path | None, pid_file: Path) -> None:
        self.secrets = secrets
        self._pid_file = pid_file

    def settings(self, file: Path) -> Settings:
        """The shop's settings."""
        return load(file, self.secrets, known_reference())

    def reload(self, settings: Settings) -> None:
        """Have the broker read its files again, or say what does."""
        if settings.mqtt.broker == "embedded":
            click.echo("The embedded broker sees it by itself; a new certificate when the service starts.")
            return
        problem = reload_broker(self._pid_file)
        if problem is None:
            click.echo("The broker reads its files again.")
        else:
            click.echo(f"The broker was not told ({problem}); type: systemctl reload mosquitto")


@click.group("enrol")
@click.option("--secrets", type=FILE, help="Folder of secret files.")
@click.option("--pid-file", type=FILE, default=PID_FILE, show_default=True, help="The broker to tell.")
@click.pass_context
def enrol_command(context: click.Context, secrets: Path | None, pid_file: Path) -> None:
    """Make, print, renew, revoke and list log-ins at the broker, and make the shop's certificates.

    Run it as root on the broker's machine: the files in mqtt.access_dir are the broker's. First `service` and
    `authority`, then a `sensor` at a time.
    """
    context.obj = Enrolling(secrets, pid_file)


@enrol_command.command("service")
@SETTINGS
@RENEW
@click.pass_obj
def service_command(told: Enrolling, settings_file: Path, renew: bool) -> None:
    """Make the log-ins of the service and of the commands from the secrets that the settings name.

    A secret file that is not there is made.
    """
    folder = told.secrets if told.secrets is not None else settings_file.parent / "secrets"
    made = [name for name in _own_secrets(settings_file) if renew or not (folder / name).exists()]
    for name in made:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        write_private(folder / name, f"{new_password()}\n".encode())
        click.echo(f"Made the secret {folder / name}.")
    settings = told.settings(settings_file)
    mqtt, enrolment = settings.mqtt, Enrolment(access_folder(settings))
    for login, password, rights, kind in (
        (mqtt.username, mqtt.password, service_rights(settings), ""),
        (mqtt.check_username, mqtt.check_password, asking_rights(settings), "check"),
    ):
        if login is None or password is None:
            fields = [f"{kind}_{name}".strip("_") for name in ("username", "password")]
            values = [f"dryshift-{kind}".strip("-"), f"@broker-{kind}-password".replace("--", "-")]
            lines = " and ".join(f'{f} = "{v}"' for f, v in zip(fields, values, strict=True))
            raise InputError([Fault(f"mqtt.{' and '.join(fields)}", "nothing", f"are needed; write {lines}")])
        _refuse_anothers(settings, enrolment, login, rights)
        enrolment.admit(login, password.get_secret_value(), rights)
        click.echo(f"{login}: let in.")
    if made:
        click.echo("A service that runs takes its new secret when it starts again.")
    told.reload(settings)


@enrol_command.command("authority")
@SETTINGS
@click.argument("names", nargs=-1)
@click.pass_obj
def authority_command(told: Enrolling, settings_file: Path, names: tuple[str, ...]) -> None:
    """Make or renew the broker's certificate for NAMES and addresses (default: mqtt.sensors_dial).

    The authority that signs it is made the first time and stays, so sensors need nothing when it is renewed.
    """
    settings = told.settings(settings_file)
    dialled = names or tuple(filter(None, (settings.mqtt.sensors_dial,)))
    if not dialled:
        raise InputError(
            [Fault("names", "nothing", "name this machine as sensors dial it, or set mqtt.sensors_dial")]
        )
    enrolment = Enrolment(access_folder(settings))
    with enrolment.alone():
        ends = certificates.make_certificates(
            enrolment.folder, dialled, SystemClock().now_s(), enrolment.group()
        )
    folder = enrolment.folder
    click.echo(f"{folder / CERTIFICATE}: for {', '.join(dialled)}, until {ends:%Y-%m-%d}.")
    click.echo(
        f"Who has {folder / certificates.CA_KEY} can pass for the broker: move it to a stick in a "
        "drawer, and put it back to renew."
    )
    told.reload(settings)


@enrol_command.command("sensor")
@SETTINGS
@click.argument("sensors", nargs=-1, required=True)
@RENEW
@click.option("--as", "gateway", help="One log-in for all of them: a gateway that sends for several.")
@click.option("--out", type=FILE, help="Folder to write LOG-IN.json to as well, for a cable.")
@click.pass_obj
def sensor_command(
    told: Enrolling,
    settings_file: Path,
    sensors: tuple[str, ...],
    renew: bool,
    gateway: str | None,
    out: Path | None,
) -> None:
    """Make the log-ins of SENSORS and print what to flash, as text and as a QR code.

    A password is shown this once: the broker keeps a hash of it.
    """
    settings = told.settings(settings_file)
    known = topics_of(settings)
    for name in sensors:
        if name not in known:
            fix = f"is none of the settings; use one of: {', '.join(known) or 'none is defined'}"
            raise InputError([Fault("sensor", name, fix)])
    for login, members in {gateway: sensors}.items() if gateway else {n: (n,) for n in sensors}.items():
        topics = [known[name] for name in members]
        password = _admitted(settings, login, sensor_rights(topics), renew)
        told.reload(settings)
        for name in members:
            print_to_flash(login, to_flash(settings, name, login, password), out)
        click.echo(f"{login}: {said_of(settings, login, password, topics)}")


@enrol_command.command("lamp")
@SETTINGS
@click.argument("login")
@RENEW
@click.pass_obj
def lamp_command(told: Enrolling, settings_file: Path, login: str, renew: bool) -> None:
    """Make the LOGIN of a lamp or a siren, which reads what to show and may write nothing."""
    settings = told.settings(settings_file)
    if login in topics_of(settings):
        raise InputError([Fault("login", login, "is a sensor's; give the lamp another")])
    click.echo(f"{login}: password {_admitted(settings, login, lamp_rights(settings), renew)}")
    told.reload(settings)


@enrol_command.command("revoke")
@SETTINGS
@click.argument("logins", nargs=-1, required=True)
@click.pass_obj
def revoke_command(told: Enrolling, settings_file: Path, logins: tuple[str, ...]) -> None:
    """Let LOGINS in no more: a sensor that was lost or stolen."""
    settings = told.settings(settings_file)
    enrolment = Enrolment(access_folder(settings))
    for login in logins:
        click.echo(f"{login}: {'is let in no more.' if enrolment.revoke(login) else 'was not known.'}")
    told.reload(settings)


@enrol_command.command("list")
@SETTINGS
@click.pass_obj
def list_command(told: Enrolling, settings_file: Path) -> None:
    """List the log-ins with what each may do, and the sensors that have none."""
    settings = told.settings(settings_file)
    enrolment = Enrolment(access_folder(settings))
    hashes, listed = enrolment.hashes(), enrolment.access()
    for login in sorted({*hashes, *listed.logins}):
        rights = "; ".join(f"{access} {name}" for access, name in listed.rights(login)) or "nothing"
        click.echo(f"{login}{'' if login in hashes else ' (no password)'}: {rights}")
    senders = [login for login in hashes if login not in _own(settings)]
    for sensor, topic in topics_of(settings).items():
        if not any(listed.allows(login, WRITE, topic) for login in senders):
            click.echo(f"{sensor}: not enrolled")


def access_folder(settings: Settings) -> Path:
    """Where the broker's files lie."""
    folder = settings.mqtt.access_dir
    if folder is None:
        fix = 'is needed: where the broker\'s files lie, like "/etc/mosquitto/dryshift"'
        raise InputError([Fault("mqtt.access_dir", "nothing", fix)])
    return folder


def _admitted(settings: Settings, login: str, rights: Rights, renew: bool) -> str:
    """The new password of a log-in; one that is known is cut off only where that was asked for."""
    if login in _own(settings):
        raise InputError([Fault("log-in", login, "is the service's own; choose another name")])
    enrolment = Enrolment(access_folder(settings))
    if login in enrolment.hashes() and not renew:
        raise InputError(
            [Fault("log-in", login, "is enrolled; --renew makes a new password and ends the old")]
        )
    _refuse_anothers(settings, enrolment, login, rights)
    password = new_password()
    enrolment.admit(login, password, rights)
    return password


def _refuse_anothers(settings: Settings, enrolment: Enrolment, login: str, rights: Rights) -> None:
    """InputError for a log-in that serves another shop of the broker: that shop would hear nothing more."""
    had = {topic for _, topic in enrolment.access().rights(login)}
    ours = {topic for topic in had if topic.startswith(f"{settings.mqtt.topic_root}/")}
    if had and not ours and had.isdisjoint(topic for _, topic in rights):
        fix = f"is another shop's at this broker, for {min(had)}; choose another name, or revoke it first"
        raise InputError([Fault("log-in", login, fix)])


def _own(settings: Settings) -> tuple[str | None, ...]:
    return settings.mqtt.username, settings.mqtt.check_username


def _own_secrets(settings_file: Path) -> list[str]:
    """The secret files that the settings name for the broker, before the settings can be read with them."""
    try:
        mqtt = tomllib.loads(settings_file.read_text(encoding="utf-8")).get("mqtt", {})
    except (OSError, ValueError):
        return []  # what is wrong is said when the settings are read
    said = (str(mqtt.get(field, "")) for field in ("password", "check_password"))
    return [one.removeprefix(SECRET_SIGN) for one in said if one.startswith(SECRET_SIGN)]
