"""`dryshift verify`: whether the record is as it was written, by its chain and by what was kept elsewhere."""

import sys
from datetime import tzinfo
from pathlib import Path

import click
from tqdm import tqdm

from monitor.cli.shop_file import load_shop
from monitor.clock import SystemClock
from monitor.engine.record_watch import accept, contradiction_words, contradictions, not_accepted
from monitor.model.errors import Fault, InputError
from monitor.settings.schema import Settings
from monitor.store.backup import verify_against
from monitor.store.contract import Ledger, SeriesStore, StoreUnavailableError, Verification
from monitor.store.day_sealer import DaySealer
from monitor.store.day_seals import DAY_S, broken_seals
from monitor.store.opener import open_embedded, open_influx, open_ledger_for
from monitor.store.witness_book import WitnessBook
from monitor.store.witnesses import read_witness


@click.command("verify")
@click.argument("settings_file", type=click.Path(path_type=Path))
@click.option("--secrets", type=click.Path(path_type=Path), help="Folder of secret files.")
@click.option(
    "--witness",
    "witnesses",
    multiple=True,
    metavar="NUMBER:HASH",
    help="A record proof from a daily word, a sheet or the page Records; can be given several times.",
)
@click.option("--backup", type=click.Path(path_type=Path), help="A backup whose chain must be in the record.")
@click.option(
    "--accept",
    "accepted",
    nargs=2,
    metavar="WHO WHY",
    help="Enter that what contradicts is known, by whom and why, as after a restored backup.",
)
def verify_command(
    settings_file: Path,
    secrets: Path | None,
    witnesses: tuple[str, ...],
    backup: Path | None,
    accepted: tuple[str, str] | None,
) -> None:
    """Walk the ledger's chain and name the first broken link; hold sealed days against the readings.

    The chain is also held against what was kept outside of the ledger: beside the readings, in a small file,
    and what is given here. Somebody who can write files can write the whole chain anew; these show it.
    """
    settings = load_shop(settings_file, secrets)
    given = sorted(read_witness(text) for text in witnesses)
    if accepted is not None and not all(text.strip() for text in accepted):
        raise InputError([Fault("--accept", repr(accepted), "needs a name and a reason")])
    ledger, series = open_ledger_for(settings), _series(settings)
    try:
        book = WitnessBook(settings.service.data_dir, series)
        if accepted is not None:
            _accept(ledger, series, book, accepted)
        known = [one.witness for one in not_accepted(ledger, book) if one.witness.number]
        with tqdm(unit="event", desc="Events", leave=False, disable=None) as bar:
            found = ledger.verify(sorted([*known, *given]), bar.update)
        wrong = list(_broken(found)) + _contradicted(ledger, book, settings.sites[0].tz)
        if backup is not None:
            wrong += _broken(verify_against(ledger, backup), f"against the backup {backup} ")
        kept_from_s = SystemClock().now_s() - settings.store.keep_readings_days * DAY_S
        days, differing = _seals(series, ledger, kept_from_s)
        wrong += [f"Readings of {text}" for text in differing]
    finally:
        series.close()
        ledger.close()
    for line in wrong:
        click.echo(line, err=True)
    if wrong:
        sys.exit(1)
    more = f" and {len(given)} given" if given else ""
    click.echo(
        f"{found.checked} events checked; the chain holds, as {len(known)} ends kept beside it{more} say."
    )
    if backup is not None:
        click.echo(f"All that the backup {backup} holds is in the record as it was.")
    click.echo(f"{days} sealed days held against the stored readings.")


def _series(settings: Settings) -> SeriesStore:
    """The series store, sending nothing on."""
    if settings.store.influxdb is not None and settings.store.series == "influxdb":
        return open_influx(settings, settings.store.influxdb)
    return open_embedded(settings)


def _contradicted(ledger: Ledger, book: WitnessBook, zone: tzinfo) -> list[str]:
    kept, told = contradictions(ledger, book, [])
    found = [f"Kept beside it: {contradiction_words(one, ledger.head(), zone)}" for one in kept[:1]]
    return found + [f"Event {one.number} says: {one.words}" for one in told]


def _broken(found: Verification, where: str = "") -> list[str]:
    return [] if found.broken_at is None else [f"Broken {where}at event {found.broken_at}: {found.reason}"]


def _seals(series: SeriesStore, ledger: Ledger, kept_from_s: float) -> tuple[int, list[str]]:
    with tqdm(unit="day", desc="Sealed days", leave=False, disable=None) as bar:
        try:
            return broken_seals(series, ledger, kept_from_s, bar.update)
        except StoreUnavailableError as error:
            return 0, [f"sealed days could not be read back: {error}"]


def _accept(ledger: Ledger, series: SeriesStore, book: WitnessBook, by: tuple[str, str]) -> None:
    who, why = by
    found = contradictions(ledger, book, DaySealer(series, ledger).contradictions())
    if not any(found):
        click.echo("Nothing that was kept contradicts the record; nothing was entered.")
        return
    accept(ledger, found, who, why, SystemClock().now_s())
    click.echo(
        f"Entered: {who} knows of {len(found[0]) + len(found[1])} contradictions; they are not told any more."
    )
