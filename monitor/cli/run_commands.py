"""`dryshift run` and `dryshift demo`: the service on a settings file, and on the invented yard."""

import errno
import logging
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import click
from tqdm import tqdm

from monitor.alarms.states import Command
from monitor.cli.few_lines import log_to_stderr
from monitor.cli.heap import settle_heap
from monitor.cli.reachable import pages_at, say_pages
from monitor.clock import Clock, FastClock, SystemClock
from monitor.demo.demo_folder import demo_folder
from monitor.demo.good_lead import GoodLead
from monitor.demo.past import BEFORE_DAYS, DemoForecast, write_past
from monitor.demo.printed_phone import Phone
from monitor.demo.publisher import Publisher
from monitor.demo.yard_sensors import Send, make_world, messages
from monitor.engine.build import known_reference
from monitor.engine.service import Service
from monitor.history.entries import Entry, body_of
from monitor.model.actor import Actor, KnownBy
from monitor.model.errors import DryshiftError, InputError
from monitor.model.event import EventKind, NewEvent
from monitor.mqtt.embedded_broker import EmbeddedBroker
from monitor.notify.alive import tell_init
from monitor.notify.channels import make_sender
from monitor.notify.distress import TOTAL_S, not_started, send_straight
from monitor.settings.file import load
from monitor.settings.language import translator
from monitor.settings.reference import config_folder
from monitor.settings.schema import Settings
from monitor.store.contract import StoreUnavailableError
from monitor.store.folder_lock import hold
from monitor.store.sqlite_file import explain
from monitor.web.frame.deps import Answering
from monitor.web.server import check_port

DEMO_START = datetime(2026, 9, 7, tzinfo=ZoneInfo("Europe/London"))
DAY_S = 86_400.0
LIVE_DAYS = 14.0
LEFT_OPEN_S = 6 * 3_600.0  # how long before the end of the fast days what begins is left to be answered
TRY_AGAIN_S = 10.0
NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EIO})


def _until_told() -> threading.Event:
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
    settings = load(settings_file, secrets, known_reference())
    stop = _until_told()
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
            senders = {
                c.id: make_sender(c, _no_broker, settings)
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


def _no_broker(topic: str, payload: bytes) -> str:
    return f"no broker yet for {len(payload)} bytes to {topic}"


def _run(settings: Settings, stop: threading.Event) -> None:
    service = Service(settings, SystemClock())
    try:
        service.start()
        settle_heap()
        assert service.server is not None
        click.echo("Dryshift is running. ", nl=False)
        say_pages(service.server.host, service.server.port, settings.web.public_url)
        _say_first_link(service)
        if service.broker is not None:
            click.echo(_sensors_publish_to(service.broker, settings))
        stop.wait()
        click.echo("Stopping: saving what is here.")
    finally:
        service.stop()


def _say_first_link(service: Service) -> None:
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
    base = pages_at(server.host, server.port, service.settings.web.public_url)[0]
    hours = round(desk.rules.first_link / 3600.0)
    click.echo(f"No account yet. The first is made here, once, within {hours} h: {base}/join/{token}")


def _sensors_publish_to(broker: EmbeddedBroker, settings: Settings) -> str:
    """Where sensors connect; one port speaks one version of MQTT, and most sensors speak 3.1.1."""
    host, port = broker.address
    said = f"Sensors publish to {host}:{port}, MQTT {settings.mqtt.protocol}"
    if broker.port_311 is not None:
        return f"{said}, or to port {broker.port_311}, MQTT 3.1.1."
    if settings.mqtt.protocol == "5":
        return f"{said} only; mqtt.port_311 opens a second port for sensors that speak 3.1.1, as many do."
    return f"{said} only."


@click.command("demo")
@click.option("--days", default=7.0, show_default=True, help="Days that run fast before live speed.")
@click.option("--minutes", default=2.0, show_default=True, help="Real minutes those days take.")
@click.option("--seed", default=1, show_default=True, help="The same seed gives the same week.")
@click.option("--port", type=int, help="Port of the pages. [default: 8480, or a free one if taken]")
@click.option(
    "--host",
    default="0.0.0.0",
    show_default=True,
    help="Address the pages listen on; 127.0.0.1: for this machine alone.",
)
@click.option("--stop-after-days", is_flag=True, help="Stop when the fast days are over.")
@click.option("--accounts", is_flag=True, help="With log-in, as in a real shop: prints the first link.")
def demo_command(
    days: float,
    minutes: float,
    seed: int,
    port: int | None,
    host: str,
    stop_after_days: bool,
    accounts: bool,
) -> None:
    """Run Ferrymoor Slipway, an invented yard: a humid week in minutes, then at live speed."""
    log_to_stderr(logging.ERROR)
    stop = _until_told()
    start_s = DEMO_START.timestamp()
    fast_until_s = start_s + days * DAY_S
    phone = Phone(_show_message)
    with demo_folder() as folder:
        settings = demo_settings(folder, phone.url, host, port)
        if accounts:
            web = settings.web.model_copy(update={"log_in": "accounts"})
            settings = settings.model_copy(update={"web": web})
        click.echo("Preparing Ferrymoor Slipway (an invented yard; every number in it is made up) …")
        world = make_world(seed, start_s, days + LIVE_DAYS, BEFORE_DAYS)
        stream = messages(world, settings, seed, fast_until_s)
        clock = FastClock(start_s, fast_until_s, days * DAY_S / (minutes * 60.0))
        forecasts = DemoForecast(world, seed)
        service = Service(settings, clock, {"ferrymoor": forecasts})
        write_past(world, forecasts, service.series, service.archive)
        _play(service, clock, phone, stream, (start_s, fast_until_s), stop, stop_after_days=stop_after_days)


def demo_settings(folder: Path, phone_url: str, host: str, port: int | None) -> Settings:
    """Ferrymoor's settings with this run's folder and addresses."""
    settings = load(config_folder() / "ferrymoor.toml", folder, known_reference())
    channels = tuple(
        c.model_copy(update={"url": phone_url}) if c.kind == "webhook" else c for c in settings.channels
    )
    web = settings.web.model_copy(update={"host": host, "port": _pages_port(host, port, settings.web.port)})
    service = settings.service.model_copy(update={"data_dir": folder})
    return settings.model_copy(update={"channels": channels, "web": web, "service": service})


def _pages_port(host: str, asked: int | None, usual: int) -> int:
    """The port asked for, or the usual one, or 0 for a free one where another program holds that."""
    if asked is not None:
        check_port(host, asked)
        return asked
    try:
        check_port(host, usual)
    except InputError:
        check_port(host, 0)
        return 0
    return usual


def _play(
    service: Service,
    clock: FastClock,
    phone: Phone,
    stream: Iterator[Send],
    span_s: tuple[float, float],
    stop: threading.Event,
    *,
    stop_after_days: bool,
) -> None:
    publisher: Publisher | None = None
    lead = _lead(service, span_s[1])
    phone.start()
    try:
        service.start()
        assert service.server is not None
        assert service.broker is not None
        say_pages(service.server.host, service.server.port)
        click.echo("Open it on a phone or a wall screen; Ctrl-C stops.")
        _say_first_link(service)
        click.echo(
            "The embedded broker keeps its queue in memory; a real shop runs Mosquitto (deploy/mosquitto)."
        )
        publisher = Publisher(
            service.broker.address, stream, clock, lambda: service.loop.state.time_s, service.messages
        )
        publisher.start()
        lead.start()
        _watch(service, clock, span_s, stop)
        if not stop.is_set():
            next_ = "" if stop_after_days else " Going on at live speed."
            click.echo(f"The days are over: {publisher.sent} messages sent.{next_}")
        if not stop_after_days:
            stop.wait()
        click.echo("Stopping.")
    finally:
        if publisher is not None:
            publisher.stop()
        lead.stop()
        service.stop()
        phone.stop()


def _lead(service: Service, fast_until_s: float) -> GoodLead:
    """The yard's lead answers as on a page; what began in the last hours is left for whoever looks."""
    person = service.settings.people[0]
    actor = Actor(person.name, KnownBy.CHOSEN, (person.role,))

    def answer(command: Command) -> None:
        key = f"demo/{command.condition_id}/{service.loop.state.time_s}"
        with _said():
            service.operate(Answering(command, actor, key))

    def enter(package: str, entry: Entry) -> None:
        now_s = service.loop.state.time_s
        key = f"demo/{package}/{now_s}"
        event = NewEvent(EventKind.PACKAGE, package, now_s, person.name, body_of(entry), "", key)
        with _said():
            service.record(event)

    return GoodLead(service.snapshot, answer, enter, person.name, fast_until_s - LEFT_OPEN_S)


@contextmanager
def _said() -> Iterator[None]:
    """What the service refuses the lead is said, and the demo goes on."""
    try:
        yield
    except DryshiftError as refused:
        tqdm.write(f"[lead] {refused}")


def _watch(service: Service, clock: Clock, span_s: tuple[float, float], stop: threading.Event) -> None:
    """A progress bar in simulated hours, until the fast days are over and judged."""
    start_s, end_s = span_s
    hours = round((end_s - start_s) / 3600.0)
    with tqdm(total=hours, unit="h", desc="Ferrymoor", leave=False, disable=None) as bar:
        while not stop.is_set() and service.loop.state.time_s < end_s - service.settings.service.tick_s:
            stop.wait(0.25)
            done = round((service.loop.state.time_s - start_s) / 3600.0)
            bar.update(max(min(done, hours) - bar.n, 0))
            bar.set_postfix_str(f"{datetime.fromtimestamp(clock.now_s(), DEMO_START.tzinfo):%a %H:%M}")


def _show_message(message: dict[str, object]) -> None:
    """One message as it lands on the phone, with the link that answers it where it has one."""
    for line in message_lines(message):
        tqdm.write(line)


def message_lines(message: dict[str, object]) -> list[str]:
    """What the demo prints of a message."""
    moment = datetime.fromtimestamp(float(str(message["created_s"])), DEMO_START.tzinfo)
    lines = [f"[phone {moment:%a %H:%M}] {message['text']}"]
    data = message.get("data")
    links = data.get("links") if isinstance(data, dict) else None
    if isinstance(links, dict) and links:
        lines.append(f"    answer it: {next(iter(links.values()))}")
    return lines
