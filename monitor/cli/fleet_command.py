"""`dryshift fleet`: a worker that runs its share of many shops."""

import logging
import signal
import socket
import threading
from pathlib import Path

import click

from monitor.cli.few_lines import log_to_stderr
from monitor.fleet.worker import FleetWorker
from monitor.model.errors import Fault, InputError
from monitor.notify.alive import tell_init
from monitor.settings.schema import WebSection
from monitor.store.fleet_book import FleetBook, schema_of
from monitor.web.fleet_page import create_fleet_app
from monitor.web.server import serve


@click.command("fleet")
@click.argument("shops_folder", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--database", required=True, envvar="DRYSHIFT_FLEET_DATABASE", help="PostgreSQL of all shops.")
@click.option("--secrets", type=click.Path(path_type=Path), help="Folder of secret files.")
@click.option("--worker", default=socket.gethostname, help="This worker's name. [default: the machine's]")
@click.option(
    "--host", default="127.0.0.1", show_default=True, help="Address the page of all shops listens on."
)
@click.option("--port", default=8470, show_default=True, help="Its port.")
@click.option("--address", default="127.0.0.1", show_default=True, help="Where a browser finds this worker.")
def fleet_command(
    shops_folder: Path, database: str, secrets: Path | None, worker: str, host: str, port: int, address: str
) -> None:
    """Run this worker's share of the shops whose settings files lie in a folder, one file a shop.

    Start one worker a machine (or several); they share the shops out, and take over from one that ends.
    """
    log_to_stderr(logging.WARNING)
    shops = {file.stem: file for file in sorted(shops_folder.glob("*.toml"))}
    if not shops:
        fix = "put one settings file a shop there, NAME.toml"
        raise InputError([Fault("SHOPS_FOLDER", str(shops_folder), fix)])
    for shop in shops:
        schema_of(shop)
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    book = FleetBook(database)
    server = serve(create_fleet_app(book.standings, list(shops), WebSection(host=host)), host, port)
    fleet = FleetWorker(worker, shops, secrets, book)
    fleet.address = address
    fleet.tell = click.echo
    click.echo(f"Worker {worker}: {len(shops)} shops among all workers. All shops: {server.url}")
    tell_init("READY=1")

    def wait(seconds: float) -> bool:
        tell_init("WATCHDOG=1")
        return stop.wait(seconds)

    try:
        fleet.run(wait)
    finally:
        server.stop()
        book.close()
