"""Gives the pages what the running service knows: the last look ahead, channels, what was measured when."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from monitor.alarms.authority import authority_from, refusal
from monitor.alarms.states import Command, CommandKind, CommandRefusedError
from monitor.clock import Clock
from monitor.core.step import Operate
from monitor.engine.bookkeeper import Keeper
from monitor.engine.forecaster import Foreseer
from monitor.engine.loop import CoreLoop
from monitor.history.entries import Seen
from monitor.model.actor import Actor, KnownBy
from monitor.model.errors import Fault, InputError
from monitor.model.event import Event, EventKind, NewEvent
from monitor.model.picture import Picture
from monitor.model.sensor import SensorHealth, SensorStatus
from monitor.notify.courier import ChannelState, Courier
from monitor.notify.outcome import Delivered, Outcome, Refused, Sender
from monitor.notify.trial import try_channel
from monitor.report.group_sheet import job_sheet, lot_sheet
from monitor.report.package_sheet import package_sheet
from monitor.report.sheet import Sheet
from monitor.report.sources import Sources
from monitor.report.week_sheet import week_sheet
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings
from monitor.store.contract import Ledger
from monitor.web.frame.deps import Answered, Answering, SeenAsk, SiteAhead

_ONCE = frozenset({KnownBy.LINK, KnownBy.SHARED_LINK})
_DONE = {
    CommandKind.ACKNOWLEDGE: "acknowledged",
    CommandKind.SHELVE: "shelved",
    CommandKind.UNSHELVE: "taken off the shelf",
    CommandKind.RESET: "reset",
    CommandKind.TAKE_OUT_OF_SERVICE: "taken out of service",
    CommandKind.RETURN_TO_SERVICE: "put back in service",
}


def operated(loop: CoreLoop, ledger: Ledger, asked: Answering, times_s: tuple[float, float]) -> Answered:
    """A person's answer to an alarm, carried out and recorded, or refused with the reason.

    `times_s` are the page's time and now. What a link did it does not do again; a tap that comes once more,
    since its answer was lost on the way, is done.
    """
    command, actor, key = asked.command, asked.actor, asked.key
    authority = authority_from(load_toml("alarm_authority.toml"))
    refused = refusal(authority, actor, command.kind)
    given = _given(ledger, command, key)
    if refused is None and given is not None:
        if asked.tap and given.body.get("tap") == asked.tap:
            return Answered(True, "done")
        if actor.known_by in _ONCE:
            refused = f"already {_DONE[command.kind]} by {given.who} with this link"
    if refused is not None:
        return Answered(False, refused)
    page_s, now_s = times_s
    tapped_s = max(page_s - asked.ago_s, command.began_s or 0.0)  # nobody answers what has not begun
    body: dict[str, object] = {
        "action": command.kind,
        "until_s": command.until_s,
        "since_s": command.began_s,
    }
    event = NewEvent(
        EventKind.ALARM_COMMAND,
        command.condition_id,
        tapped_s,
        command.who,
        body | ({"tap": asked.tap} if asked.tap else {}),
        command.why,
        key,
        actor.proof,
    )
    try:
        loop.put(Operate(command, now_s), [event])
    except CommandRefusedError as error:
        return Answered(False, error.reason)
    return Answered(True, "done")


def _given(ledger: Ledger, command: Command, key: str) -> Event | None:
    """The answer that was given before under this key; None where there is none."""
    given = ledger.events(kinds=[EventKind.ALARM_COMMAND], subject=command.condition_id)
    return next((event for event in given if event.key == key), None)


def sites_ahead(foreseer: Foreseer, now_s: float) -> tuple[SiteAhead, ...]:
    """The last look ahead, site by site, without the shifts that have ended since; empty before the first."""
    return tuple(_coming(one, now_s) for one in list(foreseer.views.values()))


def _coming(seen: SiteAhead, now_s: float) -> SiteAhead:
    over = {one.shift.id for one in seen.outlooks if one.shift.end_s <= now_s}
    return replace(
        seen,
        outlooks=tuple(one for one in seen.outlooks if one.shift.id not in over),
        actions=tuple(one for one in seen.actions if one.shift_id not in over),
    )


def sheet(sources: Sources, kind: str, of: str, site: str) -> Sheet:
    """The record of a package, lot, job or week; InputError where there is none."""
    match kind:
        case "package":
            return package_sheet(sources, of)
        case "lot":
            return lot_sheet(sources, of)
        case "job":
            return job_sheet(sources, of)
        case "week":
            return week_sheet(sources, site, of)
    raise InputError([Fault("sheet", kind, "use one of: package, lot, job, week")])


def seen(keeper: Keeper, ask: SeenAsk) -> Seen:
    """What was measured and counted at a moment."""
    return keeper.checks.observer.seen(
        ask.time_s, package=ask.package, zone=ask.zone, cylinder=ask.cylinder, plate=ask.plate
    )


@dataclass(frozen=True, slots=True)
class Channels:
    """The ways to reach people, and a test of each."""

    settings: Settings
    ledger: Ledger
    clock: Clock
    couriers: Mapping[str, Courier]
    senders: Mapping[str, Sender]

    def now(self) -> tuple[ChannelState, ...]:
        """How each is doing."""
        return tuple(courier.state() for courier in self.couriers.values())

    def test(self, channel: str, who: Actor) -> Outcome:
        """Send one message that says it is a test, and record what became of it."""
        sender = self.senders.get(channel)
        if sender is None:
            known = ", ".join(self.senders) or "none is in the settings"
            return Refused(f"there is no channel {channel}; use one of: {known}")
        outcome, event = try_channel(sender, channel, who, self.clock.now_s())
        self.ledger.commit([event], entered_s=event.time_s)
        if isinstance(outcome, Delivered):
            self.couriers[channel].worked()
        return outcome


def with_remarks(snapshot: Picture, remarks: Mapping[str, str]) -> Picture:
    """The picture with what ingest noticed of sensors beside what their readings say of them."""
    if not remarks:
        return snapshot
    zones = (
        replace(zone, sensors=tuple(_remarked(one, remarks.get(one.sensor, "")) for one in zone.sensors))
        for zone in snapshot.zones
    )
    return replace(snapshot, zones=tuple(zones))


def _remarked(health: SensorHealth, remark: str) -> SensorHealth:
    if not remark:
        return health
    good = health.status is SensorStatus.GOOD
    status = SensorStatus.MAINTENANCE_REQUIRED if good else health.status
    return replace(health, status=status, reason=f"{health.reason}; {remark}" if health.reason else remark)
