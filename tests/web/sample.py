"""A humid week at Ferrymoor Slipway for the pages: real stores, a picture of now, a server.

Invented data for looking at pages and testing them; `python -m tests.web.sample FOLDER [PORT]` serves it.
"""

import sys
import threading
from dataclasses import dataclass, field, replace
from pathlib import Path

from monitor.alarms.states import Command
from monitor.consumables.run_off import RunOffGuide
from monitor.consumables.stays import checked_history
from monitor.engine.kept_things import KeptThings
from monitor.history.entries import Seen
from monitor.history.package_history import from_settings
from monitor.history.shop_history import declared_things
from monitor.model.actor import Actor
from monitor.model.event import Event, EventKind, NewEvent
from monitor.model.picture import Picture
from monitor.model.shift_span import ShiftSpan
from monitor.notify.courier import ChannelState
from monitor.notify.outcome import Delivered, Outcome
from monitor.outlook.shifts import upcoming
from monitor.settings.schema import Settings
from monitor.store.ledger.sql_ledger import SqlLedger, open_ledger
from monitor.store.series.sqlite_series import SqliteSeriesStore
from monitor.web.app import create_app
from monitor.web.frame.deps import Answered, Answering, SiteAhead, WebDeps
from monitor.web.server import Server, serve
from tests.history.strictly import dated_entries, package_history
from tests.web.sample_ahead import scores, site_ahead
from tests.web.sample_now import calm, run_off, wet_morning
from tests.web.sample_shop import LEAD, NOW_S, START_S, WEEK_S, settings, shift_plan
from tests.web.sample_week import fill, write_history

__all__ = ["LEAD", "NOW_S", "START_S", "calm", "settings", "site_ahead", "wet_morning"]
KEY = b"a key for tests only, 32 bytes!!"


@dataclass
class Shop:
    """The sample with handles to change it while pages watch."""

    deps: WebDeps
    series: SqliteSeriesStore
    ledger: SqlLedger
    picture: Picture
    now_s: float = NOW_S
    asked: list[Command] = field(default_factory=list)
    actors: list[Actor] = field(default_factory=list)  # who asked it
    keys: list[str] = field(default_factory=list)  # of what was asked
    waited_s: list[float] = field(default_factory=list)  # how long its taps had waited on the phone
    refuse: str = ""
    looked: tuple[SiteAhead, ...] = ()
    seen: Seen = field(default_factory=Seen)
    run_off: dict[str, RunOffGuide] = field(default_factory=dict)
    tried: Outcome = field(default_factory=lambda: Delivered("202 taken"))
    lock: threading.Lock = field(default_factory=threading.Lock)

    def operate(self, asked: Answering) -> Answered:
        """Acknowledge in the picture; everything else is only written down."""
        command = asked.command
        with self.lock:
            self.asked.append(command)
            self.actors.append(asked.actor)
            self.keys.append(asked.key)
            self.waited_s.append(asked.ago_s)
        if self.refuse:
            return Answered(done=False, text=self.refuse)
        self.picture = replace(
            self.picture,
            alarms=tuple(
                replace(a, state="acknowledged", acknowledged_by=command.who)
                if a.condition == command.condition_id
                else a
                for a in self.picture.alarms
            ),
        )
        return Answered(done=True, text="done")

    def record(self, event: NewEvent) -> Event:
        """Into the ledger, unless it cannot be true; as the service does, without its core."""
        if event.kind is EventKind.PACKAGE:
            told = self.ledger.events(subject=event.subject)
            told.append(Event(10**9, event.kind, event.subject, event.time_s, event.body))
            declared = next((p for p in self.deps.settings.packages if p.id == event.subject), None)
            before = None
            if declared is not None:
                opened_s = declared.opened_at.timestamp()
                fields = (declared.id, declared.name, declared.consumable, declared.zone, opened_s, None)
                before = from_settings(*fields)
            history = package_history(event.subject, dated_entries(told, EventKind.PACKAGE), before)
            if history is not None:
                checked_history(history.stays, history.happenings, self.now_s)
        return self.ledger.commit([event], entered_s=self.now_s)[0]


def open_shop(folder: Path, *, weeks: float = 1.1, shop: Settings | None = None, filled: bool = True) -> Shop:
    """A filled sample in a folder; what is already there is used again."""
    chosen = shop or settings()
    service = chosen.service.model_copy(update={"data_dir": folder})
    chosen = chosen.model_copy(update={"service": service})
    fresh = not (folder / "series.db").exists()
    series = SqliteSeriesStore(folder / "series.db")
    ledger = open_ledger(f"sqlite:///{folder / 'ledger.db'}")
    if fresh and filled:
        fill(series, chosen, NOW_S - weeks * WEEK_S, NOW_S)
        write_history(ledger, START_S)
    handle: list[Shop] = []  # what the pages call back belongs to the shop that is made last

    def spans(start_s: float, end_s: float) -> tuple[ShiftSpan, ...]:
        return upcoming(shift_plan(), start_s, end_s - start_s)

    deps = WebDeps(
        settings=chosen,
        declared=declared_things(chosen),
        history=KeptThings(declared_things(chosen), ledger).now,
        series=series,
        ledger=ledger,
        snapshot=lambda: handle[0].picture,
        operate=lambda asked: handle[0].operate(asked),  # noqa: PLW0108
        record=lambda event: handle[0].record(event),  # noqa: PLW0108
        shift_spans=spans,
        clock=lambda: handle[0].now_s,
        key=KEY,
        ahead=lambda: handle[0].looked,
        scores=scores,
        seen=lambda _: handle[0].seen,
        channels=lambda: (
            ChannelState("phone"),
            ChannelState("office", NOW_S - 900, "no route", 2),
        ),
        try_channel=lambda _channel, _who: handle[0].tried,
        run_off=lambda name: handle[0].run_off.get(name),  # noqa: PLW0108
    )
    handle.append(Shop(deps, series, ledger, wet_morning(), looked=(site_ahead(),), run_off=run_off()))
    return handle[0]


def start(shop: Shop, port: int = 0) -> Server:
    """Serve the sample."""
    return serve(create_app(shop.deps), "127.0.0.1", port)


if __name__ == "__main__":
    running = start(open_shop(Path(sys.argv[1])), int(sys.argv[2]) if len(sys.argv) > 2 else 8481)
    sys.stdout.write(f"{running.url}\n")
    threading.Event().wait()
