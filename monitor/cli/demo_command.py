"""`dryshift demo`: the service on the invented yard, a humid week in minutes."""

import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import click
from tqdm import tqdm

from monitor.alarms.states import Command
from monitor.cli.few_lines import log_to_stderr
from monitor.cli.reachable import pages_at, say_pages
from monitor.cli.run_commands import say_first_link, until_told
from monitor.clock import Clock, FastClock
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
from monitor.settings.file import load
from monitor.settings.reference import config_folder
from monitor.settings.schema import Settings
from monitor.web.frame.deps import Answering
from monitor.web.server import check_port

DEMO_START = datetime(2026, 9, 7, tzinfo=ZoneInfo("Europe/London"))
DAY_S = 86_400.0
LIVE_DAYS = 14.0
LEFT_OPEN_S = 6 * 3_600.0  # how long before the end of the fast days what begins is left to be answered


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
    stop = until_told()
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
    here = {"host": host, "port": _pages_port(host, port, settings.web.port), "public_url": None}
    web = settings.web.model_copy(update=here)
    if web.port:  # links in messages open on a phone too; a free port is only known once it is taken
        web = web.model_copy(update={"public_url": pages_at(host, web.port, web)[0]})
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
        say_pages(service.server.host, service.server.port, service.settings.web)
        click.echo("Open it on a phone or a wall screen; Ctrl-C stops.")
        say_first_link(service)
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
