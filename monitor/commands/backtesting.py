"""`dryshift backtest`: how good the outlook would have been on a recording, against plain baselines."""

from pathlib import Path

import click
from tqdm import tqdm

from monitor.errors import Fault, InputError
from monitor.outlook.backtest import Recording, backtest, baseline_table, error_table, event_table
from monitor.weather.recordings import csv_recording, open_recordings


@click.command("backtest")
@click.argument("recordings", nargs=-1, type=click.Path(path_type=Path))
@click.option("--open-data", type=click.Path(path_type=Path), help="Folder of the open measured data.")
@click.option("--without-weather", is_flag=True, help="As if no forecast were to be had.")
def backtest_command(recordings: tuple[Path, ...], open_data: Path | None, without_weather: bool) -> None:
    """Forecast every hour of recordings (CSV) from the days before it, and compare with what came.

    A CSV has the columns time (ISO 8601 with offset), temperature_c, relative_humidity_percent and, where
    there is one, outdoor_temperature_c and outdoor_relative_humidity_percent. The outdoor air is taken as
    foreseen without error. The last third of each recording is scored apart.
    """
    found = [csv_recording(file) for file in recordings]
    if open_data is not None:
        found += open_recordings(open_data)
    if not found:
        raise InputError([Fault("recordings", "none", "name a CSV file, or a folder with --open-data")])
    if without_weather:
        found = [Recording(one.name, one.history, None, one.limit_humidity_frac) for one in found]
    with tqdm(total=len(found), unit="zone", desc="Backtest", disable=None) as bar:

        def tell(_: str) -> None:
            bar.update(1)

        scores = backtest(found, tell)
    for title, lines in (
        (
            "Dew point: mean absolute error in K, ratio to persistence and to the best baseline",
            error_table(scores),
        ),
        ("The same against each baseline", baseline_table(scores)),
        ("Odds of humidity over the recording's own upper fifth", event_table(scores)),
    ):
        click.echo(f"{title}\n" + "\n".join(lines) + "\n")
