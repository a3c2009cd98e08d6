"""`dryshift run`: the service on a settings file."""

import errno
import logging
import signal
import threading
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

import click

from monitor.cli.few_lines import log_to_stderr
from monitor.cli.heap import settle_heap, unlooked
from monitor.cli.reachable import pages_at, say_pages
from monitor.cli.shop_file import load_shop
from monitor.clock import SystemClock
from monitor.engine.service import Service
from monitor.mqtt.embedded_broker import EmbeddedBroker
from monitor.notify.alive import tell_init
from monitor.notify.channels import make_sender, phone_book
from monitor.notify.distress import TOTAL_S, not_started, send_straight
from monitor.settings.language import translator
from monitor.settings.schema import Settings
from monitor.store.contract import StoreUnavailableError
from monitor.store.folder_lock import hold
from monitor.store.opener import opened_beside
from monitor.store.phone_book import PhoneBook
from monitor.store.sqlite_file import explain

TRY_AGAIN_S = 10.0
NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EIO})


def until_told() -> threading.Event:
    """Set by Ctrl-C or by the init system."""
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    return stop


@click.command("run")
@click.argument("settings_file", type=click.Path(path_type=Path))
@click.option("--secrets", type=click.Path(path_type=Path), help="Folder of secret files.")
@click.option("--verbose", is_flag=True, help="Say more on standard error.")
def run_command(settings_file: Path, secrets: Path | None, verbose: bool) -> None:
    """Run the service on a settings file until it is told to stop."""
    log_to_stderr(logging.INFO if verbose else logging.WARNING)
    settings = load_shop(settings_file, secrets)
    stop = until_told()
    Starting(settings, stop).run(_run)


class Starting:
    """Starts the service, and where a store cannot be used tells people once and tries again until it can."""

    def __init__(self, settings: Settings, stop: threading.Event) -> None:
        self._settings = settings
        self._stop = stop
        self._said = ""

    def run(self, work: Callable[[Settings, threading.Event], None]) -> None:
        """Do the work with the data folder held; StoreUnavailableError if stopped before it began."""
        while True:
            try:
                with hold(self._settings.service.data_dir):
                    return work(self._settings, self._stop)
            except OSError as error:
                if error.errno not in NO_ROOM:
                    raise
                problem = explain(error, self._settings.service.data_dir)
            except StoreUnavailableError as error:
                problem = error
            self._tell(problem)
            tell_init(f"EXTEND_TIMEOUT_USEC={int(2e6 * (TRY_AGAIN_S + TOTAL_S))}")
            if self._stop.wait(TRY_AGAIN_S):
                raise problem

    def _tell(self, problem: StoreUnavailableError) -> None:
        if not self._said:
            settings = self._settings
            with ExitStack() as opened:
                phones = _phones(settings, opened)
                senders = {
                    c.id: make_sender(c, _no_broker, settings, phones)
                    for c in settings.channels
                    if c.kind != "mqtt"  # its link to the broker comes with the service
                }
                now_s = SystemClock().now_s()
                note = not_started(now_s, str(problem), translator(settings.web.language))
                taken = send_straight(senders, note, now_s)
            click.echo(f"  cannot start, told {taken} of {len(senders)} channels; trying again", err=True)
        if str(problem) != self._said:
            click.echo(f"  {problem}", err=True)
        self._said = str(problem)


def _phones(settings: Settings, opened: ExitStack) -> PhoneBook | None:
    """Those that asked to be told, where they can be read."""
    try:
        return phone_book(settings, opened.enter_context(opened_beside(settings)))
    except (StoreUnavailableError, OSError):
        return None


def _no_broker(topic: str, payload: bytes) -> str:
    return f"no broker yet for {len(payload)} bytes to {topic}"


def _run(settings: Settings, stop: threading.Event) -> None:
    with unlooked():
        service = Service(settings, SystemClock())
    try:
        with unlooked():
            service.start()
        settle_heap()
        assert service.server is not None
        click.echo("Dryshift is running. ", nl=False)
        say_pages(service.server.host, service.server.port, settings.web)
        say_first_link(service)
        if service.broker is not None:
            click.echo(_sensors_publish_to(service.broker))
        stop.wait()
        click.echo("Stopping: saving what is here.")
    finally:
        service.stop()


def say_first_link(service: Service) -> None:
    """How the first account is made, while there is none; nobody is told but who reads this."""
    desk = service.desk
    if desk is None or desk.book.has_accounts():
        return
    token = desk.first_link()
    if token is None:
        click.echo("Nobody can log in, so nothing can be entered: name a lead or keeper in [[people]].")
        return
    assert service.server is not None
    server = service.server
    base = pages_at(server.host, server.port, service.settings.web)[0]
    hours = round(desk.rules.first_link / 3600.0)
    click.echo(f"No account yet. The first is made here, once, within {hours} h: {base}/join/{token}")


def _sensors_publish_to(broker: EmbeddedBroker) -> str:
    """Where sensors connect, in either version of MQTT."""
    host, port = broker.address
    second = "" if broker.port_311 is None else f" and {broker.port_311}"
    return f"Sensors publish to {host}:{port}{second}, MQTT 5 or 3.1.1."
