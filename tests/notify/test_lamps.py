"""Lamps and other software see every zone as it is now, and see that the service is alive."""

import json
from dataclasses import replace
from typing import Any

import pytest

from monitor.model.level import Level
from monitor.model.picture import AlarmNow, BodyNow, Picture, Wait, ZoneNow
from monitor.notify.lamps import AGAIN_S, Lamps, lamp_states

NOW_S = 1_788_912_000.0
WAIT = Wait(None, "unknown")


def zone(name: str, level: Level) -> ZoneNow:
    return ZoneNow(name, name.title(), "ferrymoor", "bay", level, "", NOW_S, None)


def alarm(where: str, priority: str = "high", state: str = "unacknowledged") -> AlarmNow:
    name = f"{priority}.{where}"
    return AlarmNow(
        name, state, priority, "Wet", "Keel plate: sweating.", where, NOW_S - 60.0, "Wipe it dry."
    )


def body(where: str, level: Level) -> BodyNow:
    return BodyNow(
        "keel",
        "Keel plate",
        "plate",
        where,
        level,
        "",
        NOW_S,
        "",
        None,
        None,
        None,
        None,
        None,
        WAIT,
        WAIT,
        WAIT,
    )


ZONES = (zone("slip-bay", Level.SAFE), zone("gas-cage", Level.SAFE))
DRY = Picture(NOW_S, ZONES)
WET = replace(DRY, bodies=(body("slip-bay", Level.DANGER),), alarms=(alarm("slip-bay"),))


class Broker:
    """Keeps what is retained; refuses while `problem` says why."""

    def __init__(self) -> None:
        self.retained: dict[str, dict[str, Any]] = {}
        self.published: list[str] = []
        self.problem: str | None = None

    def publish(self, topic: str, payload: bytes, expires_s: int) -> str | None:
        assert expires_s == 2 * AGAIN_S
        if self.problem is None:
            self.retained[topic] = json.loads(payload)
            self.published.append(topic)
        return self.problem


def test_a_lamp_follows_its_zone_from_safe_to_danger_and_back() -> None:
    broker = Broker()
    lamps = Lamps("dryshift/{site}/lamp", broker.publish)
    lamps.show(DRY)
    assert broker.retained["dryshift/ferrymoor/lamp/slip-bay"] == {
        "site": "ferrymoor",
        "zone": "slip-bay",
        "level": "safe",
        "priority": "none",
        "unanswered": False,
        "count": 0,
        "title": "",
        "text": "",
        "since_s": None,
        "time_s": NOW_S,
        "valid_until_s": NOW_S + 2 * AGAIN_S,
    }
    lamps.show(WET)
    wet = broker.retained["dryshift/ferrymoor/lamp/slip-bay"]
    assert (wet["level"], wet["priority"], wet["unanswered"], wet["count"]) == ("danger", "high", True, 1)
    assert broker.retained["dryshift/ferrymoor/lamp/gas-cage"]["level"] == "safe"
    assert broker.retained["dryshift/ferrymoor/lamp/_site"]["level"] == "danger"
    lamps.show(DRY)
    assert broker.retained["dryshift/ferrymoor/lamp/slip-bay"]["priority"] == "none"


def test_only_what_changed_is_published_and_all_of_it_now_and_then() -> None:
    broker = Broker()
    lamps = Lamps("lamps", broker.publish)
    lamps.show(DRY)
    lamps.show(replace(WET, time_s=NOW_S + 5.0))
    assert broker.published == [
        "lamps/slip-bay",
        "lamps/gas-cage",
        "lamps/_site",
        "lamps/slip-bay",
        "lamps/_site",
    ]
    lamps.show(replace(WET, time_s=NOW_S + AGAIN_S))
    assert len(broker.published) == 8
    assert broker.retained["lamps/gas-cage"]["time_s"] == NOW_S + AGAIN_S


def test_what_the_broker_did_not_take_is_published_at_the_next_turn() -> None:
    broker = Broker()
    lamps = Lamps("lamps", broker.publish)
    broker.problem = "the broker is away"
    assert lamps.show(WET) == "the broker is away"
    broker.problem = None
    assert lamps.show(WET) is None
    assert broker.retained["lamps/slip-bay"]["level"] == "danger"


def test_after_the_broker_was_away_everything_is_published_again() -> None:
    broker = Broker()
    lamps = Lamps("lamps", broker.publish)
    lamps.show(DRY)
    lamps.forget()
    broker.retained.clear()
    lamps.show(DRY)
    assert len(broker.retained) == 3


@pytest.mark.parametrize(
    ("levels", "shown"),
    [
        ((Level.SAFE, Level.UNKNOWN), "unknown"),  # unknown never shows as safe
        ((Level.CAUTION, Level.UNKNOWN), "caution"),
        ((Level.DANGER, Level.CAUTION), "danger"),
    ],
)
def test_a_zone_is_as_bad_as_the_worst_in_it(levels: tuple[Level, Level], shown: str) -> None:
    now = Picture(NOW_S, (zone("slip-bay", levels[0]),), bodies=(body("slip-bay", levels[1]),))
    assert lamp_states(now)["ferrymoor", "slip-bay"]["level"] == shown


def test_what_a_person_has_set_aside_lights_no_lamp() -> None:
    now = replace(DRY, alarms=(alarm("slip-bay", state="shelved"), alarm("", "medium", "acknowledged")))
    states = lamp_states(now)
    assert states["ferrymoor", "slip-bay"]["priority"] == "none"
    assert states["ferrymoor", "_site"]["priority"] == "medium"
    assert states["ferrymoor", "_site"]["unanswered"] is False
