"""`dryshift check` and `check-payload`: look, say what is wrong, change nothing."""

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import BinaryIO, NoReturn

import click

from monitor.alarms.authority import KEEP_ACCOUNTS, authority_from
from monitor.cli.broker_questions import ask_broker
from monitor.cli.file_questions import unusable_files
from monitor.cli.shop_file import DATABASE
from monitor.clock import SystemClock
from monitor.engine.build import build_shop, known_reference
from monitor.fleet.shop_settings import Neighbours, in_fleet
from monitor.model.errors import Fault, InputError
from monitor.model.thing import refuse_ahead_of_now
from monitor.mqtt.payload_check import check_payload
from monitor.mqtt.sensor_topics import SensorCatalogue
from monitor.notify.people import personal
from monitor.settings.bounds import odd
from monitor.settings.file import SETTINGS_FILE, load
from monitor.settings.fleet_file import fleet_of, shop_files
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings
from monitor.store.contract import ParquetUnavailableError
from monitor.store.influx.link import InfluxLink, InfluxMuteError, InfluxUnavailableError
from monitor.store.opener import months_not_readable
from monitor.weather.calendar_source import REMOTE, CalendarPlace, calendar_file, unrolled
from monitor.web.frame.own_names import own_names, unreachable


@click.command("check")
@click.argument("settings_file", type=click.Path(path_type=Path))
@click.option("--secrets", type=click.Path(path_type=Path), help="Folder of secret files.")
@click.option("--no-broker", is_flag=True, help="Do not ask the running broker.")
def check_command(settings_file: Path, secrets: Path | None, no_broker: bool) -> None:
    """Check a settings file: every fault at once, each with field, value and fix.

    Files and folders are looked at as this user may use them; `dryshift-shop check` asks as the service.
    The running broker is asked whether the service hears every topic (10 s at most).
    """
    try:
        settings = load(settings_file, secrets, known_reference())
    except InputError as error:
        _end_with(settings_file, error.faults)
    faults = [*_faults_of(settings), *_faults_in_fleet(settings_file, secrets, settings)]
    faults += unusable_files(settings)
    if faults:
        _end_with(settings_file, faults)
    for note in odd(settings.model_dump()):
        click.echo(f"  looks odd: {note}")
    click.echo(f"  pages answer to: {own_names(settings.web).said()}; [web] hosts adds names")
    for note in _series_server(settings):
        click.echo(f"  {note}")
    if not no_broker:
        answers = ask_broker(settings)
        for note in answers.notes:
            click.echo(f"  {note}")
        if answers.faults:
            _end_with(settings_file, answers.faults)
    click.echo(f"  {_who_logs_in(settings)}")
    kinds = ("zone", "sensor", "cylinder", "plate", "package", "channel")
    counted = ", ".join(_counted(len(getattr(settings, f"{kind}s")), kind) for kind in kinds)
    click.echo(f"{settings_file}: in order. {counted}.")


def _faults_of(settings: Settings) -> Iterator[Fault]:
    """What a look at each part on its own finds, so that no fault hides another."""
    now_s = SystemClock().now_s()
    looks: tuple[Callable[[], object], ...] = (
        lambda: _refuse_without_way_back(settings),
        lambda: SensorCatalogue.from_settings(settings),
        lambda: build_shop(settings),
        lambda: refuse_ahead_of_now(settings.packages, now_s),
        lambda: _read_calendars(settings, now_s),
        lambda: _refuse_lost_months(settings),
    )
    for look in looks:
        try:
            look()
        except InputError as error:
            yield from error.faults


def _refuse_lost_months(settings: Settings) -> None:
    """InputError for each archived month that is not known, and where none can be archived."""
    folder = settings.store.archive_dir
    faults = [Fault("store.archive_dir", str(folder), why) for why in months_not_readable(settings)]
    if folder is not None and find_spec("pyarrow") is None:
        faults.append(Fault("store.archive_dir", str(folder), str(ParquetUnavailableError())))
    if faults:
        raise InputError(faults)


def _faults_in_fleet(file: Path, secrets: Path | None, settings: Settings) -> Iterator[Fault]:
    """What would keep the shop from being run beside the others, where a fleet's file lies beside its own."""
    try:
        fleet = fleet_of(file, secrets, os.environ.get(DATABASE))
        if fleet is None:
            return
        in_fleet(settings, fleet, file.stem, fleet.database.get_secret_value())
    except InputError as error:
        yield from error.faults
    why = Neighbours(shop_files(file.parent)).refused().get(file.stem)
    if why is not None:
        yield Fault("shop", file.stem, why)


def _read_calendars(settings: Settings, now_s: float) -> None:
    zones = {site.id: site.tz for site in settings.sites}
    for calendar in settings.calendars:
        if not calendar.source.startswith(REMOTE):
            place = CalendarPlace(calendar.source, calendar.site, zones[calendar.site])
            unrolled(place, calendar_file(place), now_s)


def _series_server(settings: Settings) -> Iterator[str]:
    """What of the time-series server has to be made by hand, and whether it is there."""
    section = settings.store.influxdb
    if settings.store.series != "influxdb" or section is None:
        return
    yield (
        f"series go to {section.url}: database {section.database} with retention policy "
        f"{section.retention_policy} must be there, Dryshift makes none"
    )
    link = InfluxLink(section)
    try:
        link.look()
        yield f"database {section.database} is there"
    except InfluxMuteError:
        yield "the server answers no questions, so only its writing can be used"
    except InfluxUnavailableError as error:
        yield f"looks odd: {error}"
    finally:
        link.close()


def _refuse_without_way_back(settings: Settings) -> None:
    """InputError for each channel whose messages carry no link that a phone can open."""
    address = settings.web.public_url
    why = "carry no link to answer by" if address is None else unreachable(address)
    fix = f"its messages {why}; write the address at which phones reach the pages: https://dry.example.org"
    channels = personal(settings) if why else ()
    faults = [
        Fault("web.public_url", address or "nothing", f"channel {channel}: {fix}") for channel in channels
    ]
    if address is not None and not why and not address.startswith("https://"):
        fix = "browsers take pushed messages of an https address alone; put a proxy with TLS before the pages"
        pushed = [one.id for one in settings.channels if one.kind == "webpush"]
        faults = [Fault("web.public_url", address, f"channel {channel}: {fix}") for channel in pushed]
    if faults:
        raise InputError(faults)


def _end_with(settings_file: Path, faults: Sequence[Fault]) -> NoReturn:
    for fault in faults:
        click.echo(f"  {fault}", err=True)
    if any(fault.field == SETTINGS_FILE for fault in faults):
        sys.exit(2)  # there was nothing to check
    click.echo(f"{settings_file}: {_counted(len(faults), 'fault')}.", err=True)
    sys.exit(1)


def _who_logs_in(settings: Settings) -> str:
    if not settings.web.has_accounts:
        how = "is logged in by the proxy" if settings.web.user_header else "is believed by name"
        return f"whoever answers or enters {how}"
    keeps = authority_from(load_toml("alarm_authority.toml"))[KEEP_ACCOUNTS]
    named = ", ".join(one.name for one in settings.people if one.role in keeps)
    if not named:
        return "looks odd: people: nobody is a lead or keeper, so nobody can make the first account or log in"
    return f"people log in; accounts are kept by: {named}"


def _counted(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


@click.command("check-payload")
@click.argument("payload", type=click.File("rb"), default="-")
@click.option(
    "--settings", "settings_file", type=click.Path(path_type=Path), help="Read it as this shop would."
)
@click.option("--topic", help="The topic it is published to.")
def check_payload_command(payload: BinaryIO, settings_file: Path | None, topic: str | None) -> None:
    """Check a sensor's message (a file, or - for standard input): what is understood, what is wrong."""
    settings = None if settings_file is None else load(settings_file, None, known_reference())
    report = check_payload(settings, topic, payload.read(), SystemClock().now_s())
    for line in report.lines:
        click.echo(line)
    sys.exit(0 if report.ok else 1)
