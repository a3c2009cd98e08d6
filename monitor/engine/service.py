"""Wires the service together: broker, ingest, loop, couriers, periodic work, pages; starts and stops it."""

import hashlib
import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial

from apscheduler.schedulers.background import BackgroundScheduler

from monitor.clock import Clock
from monitor.core.step import Shop
from monitor.engine import page_answers
from monitor.engine.bookkeeper import Keeper, shop_with_things
from monitor.engine.build import build_shop
from monitor.engine.calendars import Calendars
from monitor.engine.delivery import Delivering
from monitor.engine.derivation import Deriver
from monitor.engine.forecaster import Foreseer, weather_providers
from monitor.engine.front_desk import held_record, open_desk
from monitor.engine.judging_watch import Watch
from monitor.engine.kept_models import open_learner
from monitor.engine.loop import CoreLoop
from monitor.engine.paper_records import Wanted, on_paper
from monitor.engine.parts import intake_parts, server_part, watch_part
from monitor.engine.proof_of_life import DEFECT, Watching
from monitor.engine.record_post import RecordPost
from monitor.engine.record_watch import LOOK_EVERY_S as RECORD_EVERY_S
from monitor.engine.record_watch import RecordWatch
from monitor.engine.recount import Recounter
from monitor.engine.session_losses import SessionLosses
from monitor.engine.store_upkeep import StoreUpkeep
from monitor.model.errors import DryshiftError
from monitor.model.event import Event, EventKind, NewEvent
from monitor.model.notification import Notification
from monitor.model.picture import Part, Picture
from monitor.model.shift_span import ShiftSpan
from monitor.mqtt.embedded_broker import EmbeddedBroker
from monitor.mqtt.sensor_topics import SensorCatalogue
from monitor.mqtt.session import IngestSession
from monitor.notify.alive import tell_init
from monitor.notify.answers import with_link
from monitor.notify.record_proof import with_proof
from monitor.outlook.shifts import ShiftCalendar, upcoming
from monitor.report.sources import Sources
from monitor.settings.schema import Settings
from monitor.store.backup import Copied
from monitor.store.contract import StoreUnavailableError
from monitor.store.opener import open_series_store
from monitor.store.private import private_folder
from monitor.weather.forecast_archive import FILE, ForecastArchive
from monitor.weather.provider import WeatherProvider
from monitor.web.app import create_app
from monitor.web.frame.deps import Answered, Answering, WebDeps
from monitor.web.server import Server, serve

log = logging.getLogger(__name__)

LOOK_EVERY_S = 1.0  # real seconds between looks of the core when nothing arrives
START_WAIT_S = 5.0  # real seconds: with little to work through, pages are right from the start


class Service:
    """The whole running service of one settings file."""

    def __init__(
        self, settings: Settings, clock: Clock, providers: Mapping[str, WeatherProvider] | None = None
    ) -> None:
        self.settings = settings
        self.clock = clock
        private_folder(settings.service.data_dir)
        self.calendars = Calendars(settings)
        shop = build_shop(settings, self.calendars.known(clock.now_s()))
        self.shop: Shop = replace(shop, declared_ahead=clock.simulated)
        self.series = open_series_store(settings)
        try:
            self.ledger, beside, self.key = held_record(settings)
        except DryshiftError:
            self.series.close()
            raise
        accounts = settings.web.has_accounts
        self.desk = open_desk(settings, beside, self.key, self._tell_access) if accounts else None
        self.broker: EmbeddedBroker | None = None
        if settings.mqtt.broker == "embedded":
            self.broker = EmbeddedBroker(settings.mqtt, settings.service.data_dir / "broker")
        self.archive = ForecastArchive(settings.service.data_dir / FILE)
        known = providers or weather_providers(settings)
        learner = open_learner(settings, clock, self.series.identity())
        self.foreseer = Foreseer(settings, self.series, self.ledger, known, self.archive, learner)
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
            keep_damaged=self._keep_damaged,
        )
        self.keeper = Keeper(settings, self.series, self.ledger, self.loop)
        self.record_watch = RecordWatch(settings, self.series, self.ledger)
        self.ingest: IngestSession | None = None
        self.delivering: Delivering | None = None
        self.server: Server | None = None
        self._wake, self._stopping = threading.Event(), threading.Event()
        self._core = threading.Thread(target=self._run_core, name="core", daemon=True)
        self._opened = threading.Event()  # new readings may come
        self._watch = Watch(self.loop, self.keeper, self.ledger, clock)
        self._watching: Watching | None = None
        self._session_losses = SessionLosses(self.ledger, settings.sites[0].tz)
        self._periodic = BackgroundScheduler(timezone="UTC")
        self._core_error, self._pictured = "", False
        self._upkeep = StoreUpkeep(settings, self.series, self.ledger, clock, self._kept_beside())
        self._record_post = RecordPost(settings, self.ledger, self._sources, self._page_time_s)

    def start(self) -> None:
        """Begin; raises InputError where a port is taken."""
        if self.broker is not None:
            self.broker.start()
        self._guarded(lambda: self.record_watch.look(self.clock.now_s()))()
        self._record(EventKind.SERVICE_STARTED, "the service started")
        self._guarded(self._keep_end)()
        self._began_s, self._began_order = self.clock.now_s(), self.series.last_order()
        self._core.start()
        self._watch.caught_up.wait(START_WAIT_S)
        self.ingest = IngestSession(
            self.settings.mqtt if self.broker is None else self.broker.inside(),
            SensorCatalogue.from_settings(self.settings),
            self.series,
            self.clock,
            on_committed=self._wake.set,
        )
        self.delivering = Delivering(
            self.settings, self.ledger, self.clock, self.ingest, self.snapshot, self.loop
        )
        self.ingest.start()
        self._upkeep.start()
        self._opened.set()
        self.delivering.start()
        self._watching = Watching(
            self.settings,
            self.clock,
            self._watch.proof,
            self.ledger,
            self.ingest,
            self.delivering.senders,
            lambda: self._core_error or self._store_error(),
        )
        self._watching.start()
        self._schedule()
        web = self.settings.web
        self.server = serve(create_app(self._web_deps()), web.host, web.port)
        self._watch.courtesy.asked = self.server.is_asked
        self.calendars.start(self.clock.now_s, self._take_calendars)
        tell_init("READY=1")

    def stop(self) -> None:
        """Stop taking readings, finish what is here, save, close."""
        tell_init("STOPPING=1")
        if self._watching is not None:
            self._watching.stop()
        self.calendars.stop()
        if self.server is not None:
            self.server.stop()
        self.record_watch.stop()
        self._upkeep.stop()
        if self._periodic.running:
            self._periodic.shutdown(wait=True)
        if self.delivering is not None:
            self.delivering.stop()
        if self.ingest is not None:
            self.ingest.stop()
        self._stopping.set()
        self._opened.set()
        self._wake.set()
        if self._core.is_alive():
            self._core.join()
        try:
            if self._watch.caught_up.is_set():  # else the next start takes up what was not worked through
                self.loop.save()
                self._record(EventKind.SERVICE_STOPPED, "the service was stopped")
                self._guarded(self._keep_end)()
        finally:
            if self.broker is not None:
                self.broker.stop()
            self.series.close()
            self.ledger.close()
            self.archive.close()
            if self.desk is not None:
                self.desk.book.close()

    def snapshot(self) -> Picture:
        """The picture of now, with how the service itself is doing."""
        seen = self._watch.snapshot()
        if self.ingest is not None and not seen.not_judged:
            seen = page_answers.with_remarks(seen, self.ingest.status().remarks)
        return replace(seen, parts=tuple(self._parts()))

    def is_stuck(self) -> bool:
        """Whether the core does not go on, and no store says why."""
        return self._watching is not None and self._watching.is_stuck()

    def messages(self) -> int:
        """How many messages have reached the service since it started."""
        return 0 if self.ingest is None else self.ingest.status().counts.get("messages", 0)

    def operate(self, asked: Answering) -> Answered:
        """A person's answer to an alarm, carried out and recorded, or refused with the reason."""
        self._ready_for_entries()
        times_s = (self._page_time_s(), self.clock.now_s())
        return page_answers.operated(self.loop, self.ledger, asked, times_s)

    def _ready_for_entries(self) -> None:
        if not self._watch.caught_up.is_set():
            raise StoreUnavailableError("what was stored before the start is still being worked through")

    def _run_core(self) -> None:
        while not self._watch.caught_up.is_set() and not self._stopping.is_set():
            self._at_border(self._catch_up)
        self._opened.wait()
        while not self._stopping.is_set():
            self._wake.wait(LOOK_EVERY_S)
            self._wake.clear()
            self._at_border(self._judge)
        if self._watch.caught_up.is_set():
            self._at_border(self._judge)

    def _catch_up(self) -> None:
        self._watch.catch_up(self._began_s, self._began_order)
        self._core_error = ""

    def _judge(self) -> None:
        assert self.ingest is not None
        # The watermark is read first: what is committed after it was read belongs to a later tick.
        until_s = self.ingest.watermark_s()
        self._watch.judge(until_s, self._service_facts(until_s))
        self._core_error = ""
        self._session_losses.enter(self.ingest.status().lost_sessions, self.clock.now_s())
        if self.foreseer.has_news() or not (self._pictured or self.foreseer.views):
            self._pictured = True
            self.foreseer.picture(self.loop.shop, self.loop.state, self.loop.state.time_s)

    def _at_border(self, work: Callable[[], None]) -> None:
        try:
            work()
        except StoreUnavailableError as error:
            if str(error) != self._core_error:
                log.warning("the core cannot write and will try again: %s", error)
            self._core_error = str(error)
            self._stopping.wait(LOOK_EVERY_S)
        except Exception as error:  # loop border: the page says it, and the init system's watchdog restarts
            log.exception("the core met a defect")
            self._core_error = f"{DEFECT}: {type(error).__name__}: {error}"
            self._stopping.wait(LOOK_EVERY_S)

    def _service_facts(self, until_s: float) -> dict[str, float]:
        assert self.ingest is not None
        assert self.delivering is not None
        status = self.ingest.status()
        return {
            "broker_away": 0.0 if status.connected else 1.0,
            "store_behind": max(self.clock.now_s() - until_s, 0.0) if status.store_error else 0.0,
            "warnings_undeliverable": float(self.delivering.undeliverable()),
            "record_contradicted": self.record_watch.contradicted(),
        }

    def _schedule(self) -> None:
        def every(seconds: float, work: Callable[[], object], name: str) -> None:
            self._periodic.add_job(work, "interval", seconds=seconds, id=name, max_instances=1, coalesce=True)

        every(6 * 3600.0, self._guarded(lambda: self.series.apply_retention(self.clock.now_s())), "retention")
        every(RECORD_EVERY_S, self._guarded(lambda: self.record_watch.mind(self.clock.now_s())), "record")
        every(24 * 3600.0, self._guarded(self._upkeep.back_up), "backup")
        if self.broker is not None and self.settings.mqtt.port != 0:
            every(30.0, partial(self._mind_broker, self.broker), "broker")
        every(RecordPost.LOOK_EVERY_S, self._guarded(self._record_post.look), "record of the week")
        self._periodic.start()

    def _kept_beside(self) -> list[Copied]:
        return [self.archive] if self.desk is None else [self.archive, self.desk.book]

    def _keep_end(self) -> None:
        self.record_watch.look(self.clock.now_s(), keep=True)

    def _keep_damaged(self, state: bytes) -> str:
        """Put a checkpoint that cannot be read beside the data, once, for whoever looks into it."""
        name = f"checkpoint-{hashlib.sha256(state).hexdigest()[:16]}.damaged"
        try:
            (self.settings.service.data_dir / name).write_bytes(state)
        except OSError as error:
            return f"not at all, {error.strerror}"
        return name

    def _store_error(self) -> str:
        return "" if self.ingest is None else self.ingest.status().store_error

    def _take_calendars(self, calendars: tuple[ShiftCalendar, ...]) -> None:
        if calendars != self.loop.shop.shifts.calendars:
            self.loop.reshape(calendars=calendars)

    def _mind_broker(self, broker: EmbeddedBroker) -> None:
        """The embedded broker does not start itself again."""
        if not broker.is_healthy():
            log.warning("the embedded broker is gone and is started again; what it held is lost")
            broker.stop()
            broker.start()

    def _guarded(self, work: Callable[[], object]) -> Callable[[], None]:
        """Periodic work that waits for its next turn when the store or a far end is away."""

        def run() -> None:
            try:
                work()
            except StoreUnavailableError as error:
                log.warning("periodic work put off: %s", error)

        return run

    def _parts(self) -> list[Part]:
        now_s = self.clock.now_s()
        found = [self._watch.pace.part(), watch_part(self._watch.not_judged(), self._core_error)]
        found.append(self.record_watch.part())
        if self.ingest is not None:
            status = self.ingest.status()
            broker = f"external broker {status.broker}" if self.broker is None else str(self.broker)
            behind_s = max(now_s - self.loop.state.time_s, 0.0)
            found += intake_parts(status, broker, self._core_error, behind_s)
        shipping = self.series.shipping()
        if shipping is not None:
            found.append(server_part(shipping, now_s))
        if self.delivering is not None:
            found += self.delivering.parts()
        found += [*self._upkeep.parts(), *self._record_post.parts()]
        return found + self.foreseer.parts() + self.calendars.parts() + self.keeper.parts()

    def _dressed(self, note: Notification) -> Notification:
        base_url = self.settings.web.public_url
        if base_url is None and self.clock.simulated and self.server is not None:
            base_url = self.server.url  # a demo's phone is on the same machine as its pages
        return with_proof(with_link(note, base_url), self.ledger.head)

    def _web_deps(self) -> WebDeps:
        assert self.delivering is not None
        out = self.delivering
        channels = page_answers.Channels(self.settings, self.ledger, self.clock, out.couriers, out.senders)
        return WebDeps(
            settings=self.settings,
            declared=self.keeper.deriver.declared,
            history=self.keeper.things,
            series=self.series,
            ledger=self.ledger,
            snapshot=self.snapshot,
            operate=self.operate,
            record=self.record,
            shift_spans=self.shift_spans,
            clock=self._page_time_s,
            key=self.key,
            ahead=lambda: page_answers.sites_ahead(self.foreseer, self._page_time_s()),
            scores=lambda: self.loop.state.memory.scores,
            seen=lambda ask: page_answers.seen(self.keeper, ask),
            channels=channels.now,
            try_channel=channels.test,
            sheet=lambda kind, of, site: page_answers.sheet(self._sources(), kind, of, site),
            paper=lambda kind, of, site, size: on_paper(self._sources(), Wanted(kind, of, site), size),
            run_off=self.keeper.run_off,
            oven_doubts=self.keeper.oven_doubts,
            witnesses=self.record_watch.witnesses,
            desk=self.desk,
            phones=out.phones,
        )

    def _tell_access(self, event: NewEvent) -> None:
        now_s = self._page_time_s()
        self.ledger.commit([replace(event, time_s=now_s)], entered_s=now_s)

    def _sources(self) -> Sources:
        now_s = self._page_time_s()
        recall, witnesses = self.keeper.recall(), self.record_watch.witnesses
        return Sources(self.settings, self.ledger, self.series, recall, now_s, self.shift_spans, witnesses)

    def _page_time_s(self) -> float:
        """A fast clock is minutes ahead of what has been judged; pages then keep to what was judged."""
        return self.loop.state.time_s if self.clock.simulated else self.clock.now_s()

    def record(self, event: NewEvent) -> Event:
        """Write one event of a page; InputError where it cannot be true."""
        self._ready_for_entries()
        return self.keeper.record(event, self.clock.now_s())

    def shift_spans(self, start_s: float, end_s: float) -> Sequence[ShiftSpan]:
        """The shifts that touch a stretch of time."""
        return upcoming(self.loop.shop.shifts, start_s, end_s - start_s)

    def _record(self, kind: EventKind, why: str) -> None:
        now_s = self.clock.now_s()
        self.ledger.commit([NewEvent(kind, "service", now_s, "dryshift", {}, why)], entered_s=now_s)
