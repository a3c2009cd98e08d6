"""Clocks that are set and nights that are longer: nothing is lost, nobody is rung, the page says so."""

import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor import clock as clock_module
from monitor.clock import SystemClock
from monitor.engine.pace import Pace
from monitor.model.event import EventKind
from tests.brokers import MOSQUITTO
from tests.clocks import SteadyClock
from tests.engine.live import LiveYard
from tests.engine.offline import Offline
from tests.engine.test_people import shop_file, warnings
from tests.receivers import web_receiver

LONDON = ZoneInfo("Europe/London")
HOUR_S = 3600.0
EVERY_S = (
    1.0  # these yards live by the machine's clock, so their sensor and the delay of their alarms are quick
)
QUICK = {
    "tick_s = 10": "tick_s = 1",
    "derived_every_s = 30": "derived_every_s = 2",
    "interval_s = 20": "interval_s = 1",
    "on_delay_s = 30": "on_delay_s = 3",
    "stale_after_s = 900": "stale_after_s = 600",
}


class SetClock:
    """Stands in for the module that reads the machine's clock: the time of day can be set."""

    def __init__(self) -> None:
        self.offset_s = 0.0

    def time(self) -> float:
        return time.time() + self.offset_s

    def monotonic(self) -> float:
        return time.monotonic()


@pytest.fixture
def machine(monkeypatch: pytest.MonkeyPatch) -> Iterator[SetClock]:
    stand_in = SetClock()
    monkeypatch.setattr(clock_module, "time", stand_in)
    return stand_in


def living(folder: Path, phone_url: str) -> LiveYard:
    return LiveYard(folder, phone_url, clock=SystemClock(), changes=QUICK, every_s=EVERY_S)


def health(yard: LiveYard) -> set[str]:
    return {str(sensor.status) for zone in yard.service.snapshot().zones for sensor in zone.sensors}


@pytest.mark.skipif(MOSQUITTO is None, reason="the mosquitto package is not installed")
def test_a_clock_set_forward_by_an_hour_is_a_gap_and_no_sensor_is_blamed(
    tmp_path: Path, machine: SetClock
) -> None:
    with web_receiver() as phone, living(tmp_path, phone.url) as yard:
        yard.sensor.held = 0.0
        yard.until(lambda: len(yard.sensor.sent) > 0, "a reading")
        yard.until(lambda: health(yard) == {"good"}, "the sensor to be believed")
        before_s = yard.service.loop.state.time_s
        machine.offset_s = HOUR_S
        yard.until(lambda: yard.service.loop.state.time_s > before_s + HOUR_S, "the core to follow")
        time_s = yard.service.loop.state.time_s
        yard.until(lambda: yard.service.loop.state.time_s > time_s + 3.0, "ticks to go on")
        assert health(yard) == {"good"}
        assert yard.service.snapshot().alarms == ()
        part = yard.part("clock")
        assert part.ok
        assert part.text == "in step; the machine's clock was set forward by 60 min, which nobody watched"
        gaps = yard.service.ledger.events(kinds=[EventKind.SERVICE_GAP])
        assert [event.why for event in gaps][-1] == "the machine's clock was set forward by 60 min"
        told = phone.messages
        assert [one for one in told if one["data"]["why"] != "digest"] == []  # the daily word has its hour
        yard.all_stored()


@pytest.mark.skipif(MOSQUITTO is None, reason="the mosquitto package is not installed")
def test_a_clock_set_back_by_an_hour_is_followed_and_the_air_goes_on_to_be_judged(
    tmp_path: Path, machine: SetClock
) -> None:
    with web_receiver() as phone, living(tmp_path, phone.url) as yard:
        yard.sensor.held = 0.0
        yard.until(lambda: health(yard) == {"good"}, "the sensor to be believed")
        machine.offset_s = -HOUR_S
        ledger = yard.service.ledger
        yard.until(lambda: ledger.events(kinds=[EventKind.SERVICE_ANEW]) != [], "the core to begin anew")
        yard.until(lambda: yard.service.loop.state.time_s < time.time() - 3_000.0, "its state to be of then")
        assert yard.part("clock").text == "in step; the machine's clock was set back by 60 min"
        anew = ledger.events(kinds=[EventKind.SERVICE_ANEW])
        assert [event.why.split(";")[0] for event in anew] == [
            "the clock had been 60 min ahead and is right again"
        ]
        yard.sensor.held = 45.0
        yard.until(
            lambda: yard.alarm("zone_humidity_high.slip-bay") is not None, "the humid air to be told", 60
        )
        yard.until(lambda: health(yard) == {"good"}, "the sensor to be believed")


def test_a_clock_set_back_by_half_a_minute_goes_slower_until_it_agrees(machine: SetClock) -> None:
    clock = SystemClock()
    before_s = clock.now_s()
    machine.offset_s = -30.0
    assert clock.now_s() >= before_s
    assert 25.0 < clock.ahead_s() < 31.0
    machine.offset_s = -90.0
    assert clock.ahead_s() == 0.0


def test_a_machine_that_slept_is_a_gap_too(monkeypatch: pytest.MonkeyPatch) -> None:
    moments = iter((0.0, 1.0, 4_000.0, 4_001.0))
    monkeypatch.setattr("monitor.engine.pace.monotonic_s", lambda: next(moments))
    now = SetTo(10_000.0)
    pace = Pace(now)
    now.time_s += 1.0
    assert pace.look() is None
    now.time_s += 3_999.0
    missed = pace.look()
    assert missed is not None
    assert (missed.from_s, missed.seconds, missed.why) == (10_001.0, 3_999.0, "the service was not running")
    now.time_s += 1.0
    assert pace.look() is None


class SetTo(SteadyClock):
    """A clock that a test sets; to the service it is a real one."""

    simulated = False


def at(moment: str) -> float:
    return datetime.fromisoformat(moment).replace(tzinfo=LONDON).timestamp()


def night(folder: Path, day: str) -> tuple[list[tuple], list[str], list[str]]:
    """A humid night that begins at 22:00 local: moves by seconds since then, texts, and daily words."""
    folder.mkdir()
    start_s = at(f"{day}T22:00")
    yard = Offline(shop_file(folder, **{"tick_s = 10": "tick_s = 60"}), start_s)
    try:
        posted = yard.goes_on(9 * 60.0 + 30.0)
        moves = [
            (e.subject, round(e.time_s - start_s), e.body["to_state"])
            for e in yard.ledger.events(kinds=[EventKind.ALARM_TRANSITION])
        ]
        texts = [note.text for _, note in warnings(posted)]
        daily = [
            note.key for channel, note in posted if note.data.get("why") == "digest" and channel == "phone"
        ]
        return moves, texts, daily
    finally:
        yard.close()


@pytest.mark.parametrize(
    ("night_of_change", "plain_night", "morning"),
    [
        ("2026-10-24", "2026-10-17", "2026-10-25"),  # summer time ends: the hour from one to two comes twice
        ("2027-03-27", "2027-03-20", "2027-03-28"),  # and begins: the hour from one to two never comes
    ],
)
def test_the_night_the_clocks_change_is_judged_like_any_other(
    tmp_path: Path, night_of_change: str, plain_night: str, morning: str
) -> None:
    moves, texts, daily = night(tmp_path / "change", night_of_change)
    plain_moves, plain_texts, _ = night(tmp_path / "plain", plain_night)
    assert moves == plain_moves
    assert len(moves) > 4
    assert len(texts) == len(plain_texts)
    assert daily == [f"digest/yard/{morning}"]  # once, at six by the yard's clock


def test_quiet_hours_last_by_the_yards_clock_through_the_longer_night(tmp_path: Path) -> None:
    quiet = 'name = "Ann"\nquiet_from = 21:00:00\nquiet_to = 06:00:00'
    start_s = at("2026-10-24T23:00")
    changes = {
        'name = "Ann"': quiet,
        "thickness_m = 0.025": "thickness_m = 0.2",
        # As in the nights above: what is asked is at which hour, and ticks of 10 s take six times as long.
        "tick_s = 10": "tick_s = 60",
    }
    yard = Offline(shop_file(tmp_path, **changes), start_s)
    try:
        posted = yard.goes_on(9 * 60)
        to_ann = [note for channel, note in posted if channel == "phone" and note.priority != "high"]
        high = [note for channel, note in posted if channel == "phone" and note.priority == "high"]
        assert all(note.created_s >= at("2026-10-25T06:00") for note in to_ann)
        assert to_ann
        assert [note for channel, note in posted if channel == "mail" and note.priority == "medium"]
        assert high
    finally:
        yard.close()
