"""Wires the service together: broker, ingest, loop, couriers, periodic work, pages; starts and stops it."""

import logging
import secrets
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

from apscheduler.schedulers.background import BackgroundScheduler

from monitor import pages
from monitor.alarms.authority import authority_from, refusal
from monitor.alarms.states import Command, CommandKind, CommandRefusedError
from monitor.calendaring import Calendars
from monitor.clock import Clock
from monitor.delivering import Delivering
from monitor.deriving import Deriver
from monitor.foreseeing import Foreseer
from monitor.ingest.broker import EmbeddedBroker
from monitor.ingest.catalogue import SensorCatalogue
from monitor.ingest.session import IngestSession
from monitor.keeping import Keeper, shop_with_things
from monitor.loop import CoreLoop
from monitor.notify.alive import HeartbeatError, beat, tell_init
from monitor.notify.answering import with_links
from monitor.outlook.shifts import ShiftSpan, upcoming
from monitor.pace import Missed, Pace
from monitor.pipeline import Operate, Shop
from monitor.recounting import Recounter
from monitor.reference import load_toml
from monitor.report.sources import Sources
from monitor.settings import Settings
from monitor.shop import build_shop
from monitor.snapshot import Part, Snapshot
from monitor.stages.state import ServiceFacts
from monitor.store.backup import back_up
from monitor.store.contract import Event, StoreUnavailableError
from monitor.store.opening import open_ledger_for, open_series_store
from monitor.values import EventKind, NewEvent, Notification
from monitor.weather.archive import ForecastArchive
from monitor.weather.provider import WeatherProvider
from monitor.weather.site import provider_for
from monitor.web.app import create_app
from monitor.web.deps import OperateRequest, OperateResult, WebDeps
from monitor.web.server import Server, serve

log = logging.getLogger(__name__)

LOOK_EVERY_S = 1.0  # real seconds between looks of the core when nothing arrives
CALENDARS_EVERY_S = 3_600.0
AT_THE_JUMP_S = 30.0  # what arrived so soon after the last look came before the clock jumped
KEY_FILE = "link.key"


def link_key(settings: Settings) -> bytes:
    """The key that signs links and forms: from the settings, else made once and kept beside the data."""
    if settings.service.secret_key is not None:
        return settings.service.secret_key.get_secret_value().encode()
    file = settings.service.data_dir / KEY_FILE
    if not file.exists():
        file.touch(mode=0o600)
        file.write_bytes(secrets.token_bytes(32))
    return file.read_bytes()


def weather_providers(settings: Settings) -> dict[str, WeatherProvider]:
    """The forecast provider of every site."""
    chosen = {weather.site: weather for weather in settings.weather}
    cache = settings.service.data_dir / "weather"
    return {site.id: provider_for(chosen.get(site.id), site, cache) for site in settings.sites}


class Service:
    """The whole running service of one settings file."""

    def __init__(
        self, settings: Settings, clock: Clock, providers: Mapping[str, WeatherProvider] | None = None
    ) -> None:
        self.settings = settings
        self.clock = clock
        settings.service.data_dir.mkdir(parents=True, exist_ok=True)
        self.calendars = Calendars(settings)
        self.shop: Shop = build_shop(settings, self.calendars.read(clock.now_s(), strictly=True))
        self.key = link_key(settings)
        self.series = open_series_store(settings)
        self.ledger = open_ledger_for(settings)
        self.broker: EmbeddedBroker | None = None
        if settings.mqtt.broker == "embedded":
            self.broker = EmbeddedBroker(settings.mqtt, settings.service.data_dir / "broker")
        self.archive = ForecastArchive(settings.service.data_dir / "forecasts.sqlite")
        self.foreseer = Foreseer(
            settings, self.series, self.ledger, providers or weather_providers(settings), self.archive
        )
        self.loop = CoreLoop(
            shop_with_things(self.shop, settings, self.series, self.ledger),
            self.series,
            self.ledger,
            clock.now_s(),
            checkpoint_s=settings.service.checkpoint_s,
            dress=self._dressed,
            foresee=self.foreseer.look,
            look_every_s=settings.warning.look_every_s,
            recount=Recounter(Deriver(settings, self.series), self.series),
        )
        self.keeper = Keeper(settings, self.series, self.ledger, self.loop)
        self.ingest: IngestSession | None = None
        self.delivering: Delivering | None = None
        self.server: Server | None = None
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._core = threading.Thread(target=self._run_core, name="core", daemon=True)
        self._periodic = BackgroundScheduler(timezone="UTC")
        self._pace = Pace(clock)
        self._missed: Missed | None = None  # still to be recorded
        self._core_error = ""
        self._pictured = False
        self._authority = authority_from(load_toml("alarm_authority.toml"))

    def start(self) -> None:
        """Begin; raises InputError where a port is taken."""
        if self.broker is not None:
            self.broker.start()
        self._record(EventKind.SERVICE_STARTED, "the service started")
        self.loop.resume(self.clock.now_s())
        self.keeper.load()
        self.ingest = IngestSession(
            self.settings.mqtt,
            SensorCatalogue.from_settings(self.settings),
            self.series,
            self.clock,
            address=None if self.broker is None else self.broker.address,
            on_committed=self._wake.set,
        )
        self.delivering = Delivering(self.settings, self.ledger, self.clock, self.ingest, self.snapshot)
        self.ingest.start()
        self._core.start()
        self.delivering.start()
        self._schedule()
        web = self.settings.web
        self.server = serve(create_app(self._web_deps()), web.host, web.port)
        tell_init("READY=1")

    def stop(self) -> None:
        """Stop taking readings, finish what is here, save, close."""
        tell_init("STOPPING=1")
        if self.server is not None:
            self.server.stop()
        if self._periodic.running:
            self._periodic.shutdown(wait=True)
        if self.delivering is not None:
            self.delivering.stop()
        if self.ingest is not None:
            self.ingest.stop()
        self._stopping.set()
        self._wake.set()
        if self._core.is_alive():
            self._core.join()
        self.loop.save()
        self._record(EventKind.SERVICE_STOPPED, "the service was stopped")
        if self.broker is not None:
            self.broker.stop()
        self.series.close()
        self.ledger.close()
        self.archive.close()

    def snapshot(self) -> Snapshot:
        """The picture of now, with how the service itself is doing."""
        seen = self.loop.snapshot()
        if self.clock.simulated:  # a demo's packages are declared beforehand, each to be opened in its hour
            seen = replace(
                seen, packages=tuple(p for p in seen.packages if (p.opened_s or 0.0) <= seen.time_s)
            )
        if self.ingest is not None:
            seen = pages.with_remarks(seen, self.ingest.status().remarks)
        return replace(seen, parts=tuple(self._parts()), simulated=self.clock.simulated)

    def messages(self) -> int:
        """How many messages have reached the service since it started."""
        return 0 if self.ingest is None else self.ingest.status().counts.get("messages", 0)

    def operate(self, request: OperateRequest) -> OperateResult:
        """A person's answer to an alarm, carried out and recorded, or refused with the reason."""
        people = self.settings.people
        role = next((one.role for one in people if request.who in (one.name, one.id)), None)
        refused = refusal(self._authority, role, request.action)
        if refused is not None:
            return OperateResult(False, refused)
        command = Command(
            kind=CommandKind(request.action),
            condition_id=request.condition,
            who=request.who,
            why=request.reason,
            until_s=request.until_s,
            began_s=request.since_s,
        )
        event = NewEvent(
            EventKind.ALARM_COMMAND,
            request.condition,
            request.time_s,
            request.who,
            {"action": request.action, "until_s": request.until_s, "since_s": request.since_s},
            request.reason,
            request.key,
        )
        try:
            self.loop.put(Operate(command, self.clock.now_s()), [event])
        except CommandRefusedError as error:
            return OperateResult(False, error.reason)
        return OperateResult(True, "done")

    def _run_core(self) -> None:
        while not self._stopping.is_set():
            self._wake.wait(LOOK_EVERY_S)
            self._wake.clear()
            self._look()
        self._look()

    def _look(self) -> None:
        assert self.ingest is not None
        try:
            self._missed = self._pace.look() or self._missed
            if self._missed is not None:
                self.loop.skip(self._missed.from_s + AT_THE_JUMP_S, self.clock.now_s(), self._missed.why)
                self._missed = None
            # The watermark is read first: what is committed after it was read belongs to a later tick.
            until_s = self.ingest.watermark_s()
            self.loop.put(ServiceFacts(self._service_facts(until_s)))
            self.loop.advance_to(until_s)
            self._core_error = ""
            if not (self._pictured or self.foreseer.views):
                self._pictured = True
                self.foreseer.picture(self.loop.shop, self.loop.state, self.loop.state.time_s)
        except StoreUnavailableError as error:
            if str(error) != self._core_error:
                log.warning("the core cannot write and will try again: %s", error)
            self._core_error = str(error)
            self._stopping.wait(LOOK_EVERY_S)
        except Exception as error:  # loop border: the page says it, and the init system's watchdog restarts
            log.exception("the core met a defect")
            self._core_error = f"defect: {type(error).__name__}: {error}"
            self._stopping.wait(LOOK_EVERY_S)

    def _service_facts(self, until_s: float) -> dict[str, float]:
        assert self.ingest is not None
        assert self.delivering is not None
        status = self.ingest.status()
        return {
            "broker_away": 0.0 if status.connected else 1.0,
            "store_behind": max(self.clock.now_s() - until_s, 0.0) if status.store_error else 0.0,
            "warnings_undeliverable": float(self.delivering.undeliverable()),
        }

    def _schedule(self) -> None:
        def every(seconds: float, work: Callable[[], object], name: str) -> None:
            self._periodic.add_job(work, "interval", seconds=seconds, id=name, max_instances=1, coalesce=True)

        every(6 * 3600.0, self._guarded(lambda: self.series.apply_retention(self.clock.now_s())), "retention")
        backup_dir = self.settings.store.backup_dir
        if backup_dir is not None:
            every(24 * 3600.0, self._guarded(partial(self._back_up, backup_dir)), "backup")
        if self.settings.calendars:
            every(CALENDARS_EVERY_S, self._read_calendars, "calendars")
        every(20.0, self._pat_watchdog, "watchdog")
        if self.broker is not None and self.settings.mqtt.port != 0:
            every(30.0, partial(self._mind_broker, self.broker), "broker")
        url = self.settings.service.heartbeat_url
        if url is not None:
            every(self.settings.service.heartbeat_every_s, self._guarded(lambda: beat(url)), "heartbeat")
        self._periodic.start()

    def _pat_watchdog(self) -> None:
        """Only while the core works: a core that is stuck is restarted by the init system."""
        if self._core.is_alive() and not self._core_error.startswith("defect"):
            tell_init("WATCHDOG=1")

    def _read_calendars(self) -> None:
        calendars = self.calendars.read(self.clock.now_s())
        if calendars != self.loop.shop.shifts.calendars:
            self.loop.reshape(calendars=calendars)

    def _mind_broker(self, broker: EmbeddedBroker) -> None:
        """The embedded broker does not start itself again."""
        if not broker.is_healthy():
            log.warning("the embedded broker is gone and is started again; what it held is lost")
            broker.stop()
            broker.start()

    def _back_up(self, target: Path) -> None:
        back_up(self.series, self.ledger, target, self.clock.now_s())

    def _guarded(self, work: Callable[[], object]) -> Callable[[], None]:
        """Periodic work that waits for its next turn when the store or a far end is away."""

        def run() -> None:
            try:
                work()
            except (StoreUnavailableError, HeartbeatError) as error:
                log.warning("periodic work put off: %s", error)

        return run

    def _parts(self) -> list[Part]:
        parts = [self._pace.part()]
        if self.ingest is not None:
            status = self.ingest.status()
            kind = "embedded" if self.broker is not None else "external"
            text = (
                f"{kind} broker {status.broker}" if status.connected else f"broker away: {status.last_error}"
            )
            numbers = {"messages": float(sum(status.counts.values())), "pending": float(status.pending)}
            parts.append(Part("broker", status.connected, text, numbers))
            behind_s = max(self.clock.now_s() - self.loop.state.time_s, 0.0)
            good = not (status.store_error or self._core_error)
            parts.append(
                Part(
                    "series", good, status.store_error or self._core_error or "stored", {"behind_s": behind_s}
                )
            )
        shipping = self.series.shipping()
        if shipping is not None:
            good = shipping.state in {"up_to_date", "sending"}
            words = shipping.state.replace("_", " ") + (f": {shipping.last_error}" if not good else "")
            oldest_s = shipping.oldest_waiting_s
            behind_s = 0.0 if oldest_s is None else max(self.clock.now_s() - oldest_s, 0.0)
            if shipping.waiting:
                words += f"; {shipping.waiting} numbers waiting, {behind_s:.0f} s behind"
            if shipping.refused:
                words += f"; {shipping.refused} refused by the server and kept here"
            numbers = {
                "waiting": float(shipping.waiting),
                "behind_s": behind_s,
                "refused": float(shipping.refused),
            }
            parts.append(Part("time-series server", good and not shipping.refused, words, numbers))
        if self.delivering is not None:
            parts += self.delivering.parts()
        return parts + self.foreseer.parts() + self.calendars.parts() + self.keeper.parts()

    def _dressed(self, note: Notification) -> Notification:
        base_url = self.settings.web.public_url
        if base_url is None and self.clock.simulated and self.server is not None:
            base_url = self.server.url  # a demo's phone is on the same machine as its pages
        return with_links(note, base_url, self.key)

    def _web_deps(self) -> WebDeps:
        assert self.delivering is not None
        out = self.delivering
        channels = pages.Channels(self.settings, self.ledger, self.clock, out.couriers, out.senders)
        return WebDeps(
            settings=self.settings,
            series=self.series,
            ledger=self.ledger,
            snapshot=self.snapshot,
            operate=self.operate,
            record=self.record,
            shift_spans=self.shift_spans,
            clock=self._page_time_s,
            key=self.key,
            ahead=lambda: pages.sites_ahead(self.foreseer, self._page_time_s()),
            scores=lambda: self.loop.state.memory.scores,
            seen=lambda ask: pages.seen(self.keeper, ask),
            channels=channels.now,
            try_channel=channels.test,
            sheet=lambda kind, of, site: pages.sheet(self._sources(), kind, of, site),
            run_off=self.keeper.run_off,
        )

    def _sources(self) -> Sources:
        now_s = self._page_time_s()
        return Sources(self.settings, self.ledger, self.series, self.keeper.recall(), now_s, self.shift_spans)

    def _page_time_s(self) -> float:
        """A fast clock is minutes ahead of what has been judged; pages then keep to what was judged."""
        return self.loop.state.time_s if self.clock.simulated else self.clock.now_s()

    def record(self, event: NewEvent) -> Event:
        """Write one event of a page; InputError where it cannot be true."""
        return self.keeper.record(event, self.clock.now_s())

    def shift_spans(self, start_s: float, end_s: float) -> Sequence[ShiftSpan]:
        """The shifts that touch a stretch of time."""
        return upcoming(self.loop.shop.shifts, start_s, end_s - start_s)

    def _record(self, kind: EventKind, why: str) -> None:
        now_s = self.clock.now_s()
        self.ledger.commit([NewEvent(kind, "service", now_s, "dryshift", {}, why)], entered_s=now_s)
