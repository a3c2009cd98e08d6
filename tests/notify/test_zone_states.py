"""Panels and controllers read each zone over MQTT: level, air, margin; never what nobody knows any more."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest

from monitor.model.air import AirState
from monitor.model.level import Level
from monitor.model.picture import BodyNow, Picture, Wait, ZoneNow, not_judged
from monitor.notify.lamps import Lamps
from monitor.notify.zone_states import AGAIN_S, zone_states, zone_topic_base
from monitor.settings.reference import load_json, shared_folder

NOW_S = 1_788_912_000.0
WAIT = Wait(None, "unknown")
SCHEMA: dict[str, Any] = load_json("messages/zone.schema.json")
AIR = AirState(NOW_S, 17.43, 0.8651, 15.13, 15.13, 1_720.0, 12.8, 0.0107, 15.9, 0.4)
BAY = ZoneNow("slip-bay", "Slip Bay", "ferrymoor", "bay", Level.CAUTION, "humid", NOW_S, AIR)
TOPIC = "dryshift/ferrymoor/zone/slip-bay/now"


def body(name: str, margin_k: float | None, level: Level) -> BodyNow:
    rest: tuple[None, None, None] = (None, None, None)
    return BodyNow(
        name, name, "plate", "slip-bay", level, "", NOW_S, "", None, margin_k, *rest, WAIT, WAIT, WAIT
    )


def now(*bodies: BodyNow, zone: ZoneNow = BAY) -> Picture:
    return Picture(NOW_S, (zone,), bodies)


class Broker:
    """Keeps what is retained, and for how long."""

    def __init__(self) -> None:
        self.retained: dict[str, dict[str, Any]] = {}
        self.expires_s: set[int] = set()
        self.published = 0

    def publish(self, topic: str, payload: bytes, expires_s: int) -> str | None:
        self.retained[topic] = json.loads(payload)
        self.expires_s.add(expires_s)
        self.published += 1
        return None


def shown(picture: Picture) -> dict[str, Any]:
    broker = Broker()
    Lamps(zone_topic_base("dryshift"), broker.publish, zone_states, AGAIN_S, "/now").show(picture)
    assert set(broker.retained) == {TOPIC}
    assert broker.expires_s == {2 * AGAIN_S}
    jsonschema_rs.validator_for(SCHEMA).validate(broker.retained[TOPIC])
    return broker.retained[TOPIC]


def test_a_zones_air_level_and_least_margin_go_out_with_their_units() -> None:
    told = shown(now(body("keel", 2.04, Level.SAFE), body("deck", -1.16, Level.DANGER)))
    assert (told["level"], told["air_level"]) == ("danger", "caution")
    assert told["dew_point"] == {"value": 15.1, "unit": "Cel"}
    assert told["relative_humidity"] == {"value": 86.5, "unit": "%RH"}
    assert told["margin"] == {"value": -1.2, "unit": "K"}
    assert told["valid_until_s"] == NOW_S + 2 * AGAIN_S


@pytest.mark.parametrize("level", [Level.SAFE, Level.UNKNOWN])
def test_a_margin_is_not_known_where_one_skins_is_not(level: Level) -> None:
    told = shown(now(body("keel", 4.0, Level.SAFE), body("deck", None, level)))
    assert told["margin"] is None
    assert (told["skins"], told["skins_unknown"]) == (2, 1)
    assert shown(now())["margin"] is None


def test_what_is_not_judged_now_is_unknown_and_without_a_number() -> None:
    told = shown(not_judged(now(body("keel", 4.0, Level.SAFE)), "not judged for 10 min"))
    assert (told["level"], told["air_level"]) == ("unknown", "unknown")
    for name in ("air_temperature", "relative_humidity", "dew_point", "margin"):
        assert told[name] is None, name
    silent = shown(now(zone=replace(BAY, level=Level.UNKNOWN, air=None)))
    assert (silent["level"], silent["dew_point"]) == ("unknown", None)


def test_a_state_comes_again_before_it_is_old_though_nothing_changed() -> None:
    broker = Broker()
    zones = Lamps(zone_topic_base("dryshift"), broker.publish, zone_states, AGAIN_S, "/now")
    for seconds in (0.0, 5.0, AGAIN_S - 1.0, AGAIN_S):
        zones.show(replace(now(), time_s=NOW_S + seconds))
    assert broker.published == 2


def test_the_examples_of_contract_and_schema_fit_the_schema() -> None:
    validator = jsonschema_rs.validator_for(SCHEMA)
    text = Path(shared_folder(), "messages", "README.md").read_text(encoding="utf-8")
    told = text.partition("## What is known of each zone")[2]
    example = json.loads(told.split("```")[1].removeprefix("json"))
    for one in (*SCHEMA["examples"], example):
        validator.validate(one)
    assert set(SCHEMA["required"]) == set(SCHEMA["properties"]) == set(shown(now()))
