"""`dryshift sheet`: the record of a week, package, lot or job as a PDF; the service may be running."""

from collections.abc import Sequence
from pathlib import Path

import click

from monitor.cli.shop_file import load_shop
from monitor.clock import SystemClock
from monitor.engine.build import build_shop
from monitor.engine.calendars import Calendars
from monitor.engine.paper_records import Wanted, on_paper, sources_of
from monitor.model.shift_span import ShiftSpan
from monitor.outlook.shifts import upcoming
from monitor.report.paper import PaperSize
from monitor.settings.schema import Settings
from monitor.store.opener import open_ledger_for, open_series_store

KINDS = ("week", "package", "lot", "job")


@click.command("sheet")
@click.argument("settings_file", type=click.Path(path_type=Path))
@click.argument("kind", type=click.Choice(KINDS))
@click.argument("of")
@click.option("--out", type=click.Path(path_type=Path), required=True, help="The PDF to write.")
@click.option("--paper", type=click.Choice([one.value for one in PaperSize]), help="[default: record.paper]")
@click.option("--site", default="", help="Of a week: which site. [default: the first]")
@click.option("--secrets", type=click.Path(path_type=Path), help="Folder of secret files.")
def sheet_command(
    settings_file: Path, kind: str, of: str, out: Path, paper: str | None, site: str, secrets: Path | None
) -> None:
    """Write the record of a week (2026-W38), package, lot or job as a PDF to sign."""
    settings = load_shop(settings_file, secrets)
    size = PaperSize(paper or settings.record.paper)
    out.write_bytes(_made(settings, Wanted(kind, of, site), size))
    click.echo(f"Written to {out}.")


def _made(settings: Settings, wanted: Wanted, size: PaperSize) -> bytes:
    now_s = SystemClock().now_s()
    shop = build_shop(settings, Calendars(settings).read(now_s))

    def shift_spans(start_s: float, end_s: float) -> Sequence[ShiftSpan]:
        return upcoming(shop.shifts, start_s, end_s - start_s)

    series, ledger = open_series_store(settings), open_ledger_for(settings)
    try:
        return on_paper(sources_of(settings, (series, ledger), now_s, shift_spans), wanted, size)
    finally:
        series.close()
        ledger.close()
