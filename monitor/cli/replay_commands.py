"""`dryshift record` and `dryshift replay`: take readings out of a store, and judge them again."""

import json
import math
import sys
import tempfile
from collections.abc import Callable, Iterable
from datetime import datetime
from itertools import islice
from pathlib import Path

import click
from tqdm import tqdm

from monitor.cli.heap import settle_heap
from monitor.engine.build import build_shop, known_reference
from monitor.engine.calendars import Calendars
from monitor.engine.derivation import Deriver
from monitor.engine.loop import CoreLoop
from monitor.engine.recording import read_recording, write_recording
from monitor.engine.recount import Recounter
from monitor.model.errors import Fault, InputError
from monitor.model.event import Event, EventKind
from monitor.model.reading import Reading
from monitor.settings.file import load
from monitor.settings.schema import Settings
from monitor.store.opener import open_ledger_for, open_series_store

AT_ONCE = 2_000


@click.command("record")
@click.argument("settings_file", type=click.Path(path_type=Path))
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--secrets", type=click.Path(path_type=Path), help="Folder of secret files.")
def record_command(settings_file: Path, recording: Path, secrets: Path | None) -> None:
    """Write the readings of a shop's store to a recording (JSON lines)."""
    series = open_series_store(load(settings_file, secrets, known_reference()))
    try:
        total = series.counts().get("stored", 0)
        with tqdm(total=total, unit="reading", desc="Recording", disable=None) as bar:
            written = write_recording(series, recording, bar.update)
    finally:
        series.close()
    click.echo(f"{written} readings written to {recording}.")


@click.command("replay")
@click.argument("settings_file", type=click.Path(path_type=Path))
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--secrets", type=click.Path(path_type=Path), help="Folder of secret files.")
@click.option("--json", "as_json", is_flag=True, help="Print the alarm moves as JSON lines.")
def replay_command(settings_file: Path, recording: Path, secrets: Path | None, as_json: bool) -> None:
    """Judge a recording again, as fast as it goes, and print the alarm moves. Nothing is sent."""
    settings = load(settings_file, secrets, known_reference())
    total = sum(1 for _ in read_recording(recording))
    settle_heap()
    with tqdm(total=total, unit="reading", desc="Replay", disable=None) as bar:
        events = replay(settings, read_recording(recording), bar.update)
    zone = settings.sites[0].tz
    for event in events:
        if as_json:
            click.echo(json.dumps({"time_s": event.time_s, "condition": event.subject, **event.body}))
        else:
            moment = datetime.fromtimestamp(event.time_s, zone)
            move = f"{event.body['from_state']} to {event.body['to_state']}".replace("_", " ")
            click.echo(f"{moment:%Y-%m-%d %H:%M:%S}  {event.subject}: {move}")
    click.echo(f"{len(events)} alarm moves.", file=sys.stderr)


def replay(
    settings: Settings, readings: Iterable[Reading], progress: Callable[[int], object] = lambda _: None
) -> list[Event]:
    """The alarm moves that these readings cause, by the same loop as the live service, in a fresh store."""
    stream = iter(readings)
    batch = list(islice(stream, AT_ONCE))
    if not batch:
        raise InputError([Fault("recording", "no reading", "holds nothing to replay")])
    with tempfile.TemporaryDirectory(prefix="dryshift-replay-") as folder:
        service = settings.service.model_copy(update={"data_dir": Path(folder)})
        store = settings.store.model_copy(update={"series": "sqlite", "ledger_url": None})
        apart = settings.model_copy(update={"service": service, "store": store})
        series, ledger = open_series_store(apart), open_ledger_for(apart)
        try:
            recount = Recounter(Deriver(apart, series), series)
            calendars = Calendars(settings).read(batch[0].arrived_s)
            loop = CoreLoop(
                build_shop(apart, calendars),
                series,
                ledger,
                batch[0].arrived_s,
                checkpoint_s=math.inf,  # nobody takes a replay up again
                recount=recount,
            )
            while batch:
                series.append(batch)
                loop.advance_to(batch[-1].arrived_s)
                progress(len(batch))
                batch = list(islice(stream, AT_ONCE))
            return ledger.events(kinds=[EventKind.ALARM_TRANSITION])
        finally:
            series.close()
            ledger.close()
