"""`dryshift fleet`: a worker that runs its share of many shops."""

import logging
import signal
import socket
import threading
from pathlib import Path

import click

from monitor.access.desk import AccessDesk
from monitor.cli.few_lines import log_to_stderr
from monitor.cli.shop_file import DATABASE
from monitor.fleet.common_desk import common_desk
from monitor.fleet.worker import FleetWorker
from monitor.notify.alive import tell_init
from monitor.settings.fleet_file import FLEET_FILE, FleetSettings, load_fleet, shop_files
from monitor.store.fleet_book import FleetBook, schema_of
from monitor.web.fleet_page import FleetPages, create_fleet_app
from monitor.web.server import serve


@click.command("fleet")
@click.argument("shops_folder", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--database", envvar=DATABASE, help="PostgreSQL of all shops, over that of fleet.toml.")
@click.option("--secrets", type=click.Path(path_type=Path), help="Folder of secret files.")
@click.option("--worker", default=socket.gethostname, help="This worker's name. [default: the machine's]")
@click.option("--host", help="Address the page of all shops listens on, over that of fleet.toml.")
@click.option("--port", type=int, help="Its port, over that of fleet.toml.")
@click.option("--address", default="127.0.0.1", show_default=True, help="Where a browser finds this worker.")
def fleet_command(
    shops_folder: Path,
    database: str | None,
    secrets: Path | None,
    worker: str,
    host: str | None,
    port: int | None,
    address: str,
) -> None:
    """Run this worker's share of the shops whose settings files lie in a folder, one file a shop.

    A file fleet.toml beside them names the database and who may see how all shops stand. Start one worker a
    machine (or several); they share the shops out, and take over from one that ends.
    """
    log_to_stderr(logging.WARNING)
    fleet, shops = load_fleet(shops_folder / FLEET_FILE, secrets, database), shop_files(shops_folder)
    for shop in shops:
        schema_of(shop)
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    book = FleetBook(fleet.database.get_secret_value())
    running = FleetWorker(worker, fleet, shops, secrets, book)
    running.address, running.tell = address, click.echo
    web = fleet.web

    def wait(seconds: float) -> bool:
        tell_init("WATCHDOG=1")
        return stop.wait(seconds)

    try:
        with common_desk(fleet, book) as (house, key, desk):
            app = create_fleet_app(book.standings, list(shops), FleetPages(house, key, desk))
            server = serve(app, host or web.host, web.port if port is None else port)
            try:
                click.echo(f"Worker {worker}: {len(shops)} shops among all workers. All shops: {server.url}")
                _say_first(fleet, desk, server.url)
                tell_init("READY=1")
                running.run(wait)
            finally:
                server.stop()
    finally:
        book.close()


def _say_first(fleet: FleetSettings, desk: AccessDesk, url: str) -> None:
    """How the first account of all is made, while there is none."""
    if desk.book.has_accounts():
        return
    token = desk.first_link()
    if token is None:
        click.echo(f"Nobody may see all shops: name a lead or keeper in [[people]] of {FLEET_FILE}.")
    else:
        base = (fleet.web.public_url or url).rstrip("/")
        click.echo(f"Nobody can see all shops yet. The first account is made here, once: {base}/join/{token}")
