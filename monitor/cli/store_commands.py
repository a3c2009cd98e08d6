"""`dryshift backup`, `restore`, `move` and `resend`: copy, put back and move the stores, send on again."""

from pathlib import Path

import click
from tqdm import tqdm

from monitor.cli.shop_file import load_shop
from monitor.clock import SystemClock
from monitor.engine.front_desk import found_beside, open_book
from monitor.model.errors import Fault, InputError
from monitor.settings.schema import InfluxSection, Settings
from monitor.store.backup import back_up, restore
from monitor.store.folder_lock import hold
from monitor.store.move.book import MoveReport, Progress
from monitor.store.move.mover import to_embedded, to_influx
from monitor.store.opener import open_embedded, open_influx, open_ledger_for, open_series_store
from monitor.weather.forecast_archive import FILE, ForecastArchive

SETTINGS = click.argument("settings_file", type=click.Path(path_type=Path))
SECRETS = click.option("--secrets", type=click.Path(path_type=Path), help="Folder of secret files.")


@click.command("backup")
@SETTINGS
@click.argument("target", type=click.Path(path_type=Path))
@SECRETS
@click.option("--keep", default=14, show_default=True, help="How many backups to keep there.")
def backup_command(settings_file: Path, target: Path, secrets: Path | None, keep: int) -> None:
    """Copy readings, ledger and issued forecasts into a dated folder, checked; the service may be running."""
    settings = load_shop(settings_file, secrets)
    series, ledger = open_series_store(settings), open_ledger_for(settings)
    archive = ForecastArchive(settings.service.data_dir / FILE)
    accounts = open_book(found_beside(settings, ledger))
    try:
        folder = back_up(series, ledger, target, SystemClock().now_s(), beside=[archive, accounts], keep=keep)
    finally:
        accounts.close()
        archive.close()
        series.close()
        ledger.close()
    click.echo(f"Backed up to {folder}.")


@click.command("restore")
@SETTINGS
@click.argument("backup", type=click.Path(path_type=Path))
@SECRETS
def restore_command(settings_file: Path, backup: Path, secrets: Path | None) -> None:
    """Put a backup back after checking it; stop the service first. What is there now is kept beside it."""
    settings = load_shop(settings_file, secrets)
    with hold(settings.service.data_dir):
        files = restore(backup, settings.service.data_dir, SystemClock().now_s(), settings.store.archive_dir)
    for file in files:
        click.echo(f"Put back {file}.")
    click.echo(
        "What was recorded since that backup is gone, and the service will say so. Enter why it is: "
        f"dryshift verify {settings_file} --accept WHO WHY"
    )


@click.command("move")
@SETTINGS
@click.option("--to", "target", type=click.Choice(["influxdb", "sqlite"]), required=True, help="Where to.")
@SECRETS
def move_command(settings_file: Path, target: str, secrets: Path | None) -> None:
    """Move the series between the embedded store and InfluxDB; stop the service first. Can be resumed."""
    settings = load_shop(settings_file, secrets)
    with hold(settings.service.data_dir):
        report = _move(settings, target)
    again = ", taken up where an earlier move stopped" if report.resumed else ""
    click.echo(
        f"Moved {report.readings} readings and {report.points} derived points{again}; every day checked."
    )
    if report.refused:
        click.echo(f"{report.refused} were refused by the server and put aside with its reason.")
    click.echo(f'Now set [store] series = "{target}" and start the service.')


@click.command("resend")
@SETTINGS
@SECRETS
def resend_command(settings_file: Path, secrets: Path | None) -> None:
    """Queue what the InfluxDB server refused once more, after its fault was mended; the service may run."""
    settings = load_shop(settings_file, secrets)
    influx = open_influx(settings, _section(settings))
    try:
        count = influx.spool.send_refused_again()
    finally:
        influx.close()
    click.echo(f"{count} numbers wait to be sent again; the service sends them while it runs.")


def _section(settings: Settings) -> InfluxSection:
    section = settings.store.influxdb
    if section is None:
        raise InputError([Fault("store.influxdb", "nothing", "describe the server, at least its url")])
    return section


def _move(settings: Settings, target: str) -> MoveReport:
    section = _section(settings)
    embedded, influx = open_embedded(settings), open_influx(settings, section)
    try:
        with tqdm(unit="row", desc="Moving", disable=None) as bar:

            def tell(progress: Progress) -> None:
                bar.total = progress.total
                bar.update(progress.done - bar.n)

            return (
                to_influx(embedded, influx, tell)
                if target == "influxdb"
                else to_embedded(influx, embedded, tell)
            )
    finally:
        embedded.close()
        influx.close()
