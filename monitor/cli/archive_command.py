"""`dryshift archive`: closed months in Parquet files, by hand; the service does it by itself."""

from pathlib import Path

import click
from tqdm import tqdm

from monitor.clock import SystemClock
from monitor.engine.build import known_reference
from monitor.engine.store_upkeep import provenance
from monitor.model.errors import Fault, InputError
from monitor.settings.file import load
from monitor.settings.schema import Settings
from monitor.store.months.archiving import archive_month, due_months, restore_month
from monitor.store.months.month_book import months_back
from monitor.store.opener import open_embedded, open_ledger_for
from monitor.store.series.sqlite_series import SqliteSeriesStore


@click.command("archive")
@click.argument("settings_file", type=click.Path(path_type=Path))
@click.option("--secrets", type=click.Path(path_type=Path), help="Folder of secret files.")
@click.option(
    "--list", "only_list", is_flag=True, help="Only say which months lie in files, and how they are."
)
@click.option("--take-back", "back", metavar="MONTH", help="Take a month (2026-03) back into the live file.")
def archive_command(settings_file: Path, secrets: Path | None, only_list: bool, back: str | None) -> None:
    """Move every month that is due into a Parquet file, checked; the service may be running.

    Numbers that came late for a month that lies in a file already are moved too. A month that was taken back
    stays in the live file until this command is given again; its file stays where it is.
    """
    settings = load(settings_file, secrets, known_reference())
    if settings.store.series != "sqlite":
        fix = 'an InfluxDB server keeps what is old itself; this is for series = "sqlite"'
        raise InputError([Fault("store.series", settings.store.series, fix)])
    store = open_embedded(settings)
    try:
        if back is not None:
            _take_back(store, back)
        elif not only_list:
            _archive(settings, store)
        _list(store)
    finally:
        store.close()


def _archive(settings: Settings, store: SqliteSeriesStore) -> None:
    if settings.store.archive_dir is None:
        raise InputError([Fault("store.archive_dir", "nothing", "name the folder that months are moved to")])
    now_s = SystemClock().now_s()
    while store.pack(now_s):
        pass
    before_ms = months_back(round(now_s * 1000.0), settings.store.archive_after_months)
    months = due_months(store, before_ms, unfinished=False)
    ledger = open_ledger_for(settings)
    try:
        for month in months:
            with tqdm(unit="number", desc=month, leave=False, disable=None) as bar:
                archive_month(store, month, provenance(settings, ledger, now_s, month), bar.update)
    finally:
        ledger.close()
    if not months:
        click.echo("No month is due.")


def _take_back(store: SqliteSeriesStore, month: str) -> None:
    if month not in {file.month for file in store.archived()}:
        known = ", ".join(sorted({file.month for file in store.archived()})) or "none"
        raise InputError([Fault("--take-back", month, f"lies in no file; months that do: {known}")])
    with tqdm(unit="number", desc=month, leave=False, disable=None) as bar:
        came = restore_month(store, month, bar.update)
    click.echo(f"{came} numbers of {month} lie in the live file again; its files stay.")


def _list(store: SqliteSeriesStore) -> None:
    store.look_at_archive()
    for file, why in store.archived().items():
        state = why or f"{file.n} numbers, {file.size_bytes} bytes, SHA-256 {file.sha256}"
        click.echo(f"  {file.path.name}: {state}")
    if any(store.archived().values()):
        raise click.exceptions.Exit(1)
