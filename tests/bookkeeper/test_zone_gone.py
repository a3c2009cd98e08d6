"""A zone that leaves the settings while things lie in it: the watch goes on and says so."""

from pathlib import Path

import pytest

from monitor.consumables.classes import Place
from monitor.core.daily_word import _levels
from monitor.history.entries import (
    CylinderDelivered,
    CylinderMoved,
    Moved,
    Opened,
    PlateBroughtIn,
    PlateGone,
    body_of,
)
from monitor.model.errors import InputError
from monitor.model.event import EventKind, NewEvent
from monitor.model.level import Level
from monitor.model.reading import Quantity
from monitor.settings.schema import Settings
from tests.bookkeeper.yard import HOUR, LEAD, START_S, Yard, yard_settings

GONE = "panel-hall"
AIR = Quantity.AIR_TEMPERATURE


def with_settings(yard: Yard, settings: Settings) -> None:
    """The service is stopped, and started again with other settings."""
    yard.loop.save()
    yard.close()
    yard.settings = settings
    yard.open()
    yard.loop.resume(yard.fed_s)
    yard.keeper.load()


def without_zone(yard: Yard, gone: str) -> None:
    """The settings name the zone no more."""
    zones = tuple(zone for zone in yard.settings.zones if gone not in (zone.id, zone.stands_in))
    names = {zone.id for zone in zones}
    sensors = tuple(sensor for sensor in yard.settings.sensors if sensor.zone in names)
    with_settings(yard, yard.settings.model_copy(update={"zones": zones, "sensors": sensors}))


@pytest.fixture
def moved_on(yard: Yard) -> Yard:
    yard.run_to(START_S + 1200.0)
    yard.enter("rods-3", Opened("Rods 3", "e7018", GONE, Place.OPEN_AIR))
    yard.enter("spool-9", Opened("Spool 9", "fcaw-folded-h8", "slip-bay", Place.ON_MACHINE, spool="s300"))
    yard.enter("keel", PlateBroughtIn("Keel", GONE, 0.012))
    yard.enter("mix-7", CylinderDelivered("Mix 7", "argon", GONE))
    yard.run_to(START_S + HOUR)
    yard.enter("mix-7", CylinderMoved("gas-cage"))
    yard.run_to(START_S + 2 * HOUR)
    without_zone(yard, GONE)
    return yard


def test_the_service_starts_and_watches_what_lies_elsewhere(moved_on: Yard) -> None:
    moved_on.run_to(START_S + 3 * HOUR)
    seen = moved_on.loop.snapshot()
    spool = next(one for one in seen.packages if one.id == "spool-9")
    assert spool.level is not Level.UNKNOWN
    assert next(one for one in seen.bodies if one.id == "mix-7").skin_temperature_c is not None


def test_what_lies_in_the_zone_that_is_gone_stays_in_the_picture_as_unknown(moved_on: Yard) -> None:
    moved_on.run_to(START_S + 4 * HOUR)
    seen = moved_on.loop.snapshot()
    keel = next(one for one in seen.bodies if one.id == "keel")
    rods = next(one for one in seen.packages if one.id == "rods-3")
    zone = next(one for one in seen.zones if one.id == GONE)
    assert (keel.level, zone.level) == (Level.UNKNOWN, Level.UNKNOWN)
    assert "Feel it by hand" in keel.action
    assert "Name it in the settings again" in zone.action
    assert rods.level in (Level.UNKNOWN, Level.CAUTION, Level.DANGER)
    assert 1.5 < rods.unknown_h <= 2.0  # and its clock goes on in air nobody knows
    assert "zone_not_named.panel-hall" in {alarm.condition for alarm in seen.alarms}  # and somebody is told


def test_the_daily_word_does_not_call_it_all_well(moved_on: Yard) -> None:
    shop, state = moved_on.loop.shop, moved_on.loop.state
    assert list(_levels(shop, state, "ferrymoor")).count(Level.UNKNOWN) >= 1


def test_what_is_taken_away_from_it_takes_the_zone_with_it(moved_on: Yard) -> None:
    moved_on.enter("rods-3", Moved(Place.OPEN_AIR, "slip-bay"))
    moved_on.enter("keel", PlateGone())
    moved_on.run_to(START_S + 3 * HOUR)
    seen = moved_on.loop.snapshot()
    assert GONE not in {zone.id for zone in seen.zones}
    assert "zone_not_named.panel-hall" not in {alarm.condition for alarm in seen.alarms}


def test_what_is_no_longer_watched_is_named_with_its_place(moved_on: Yard) -> None:
    assert moved_on.keeper.adrift == {"rods-3": GONE, "keel": GONE}
    (part,) = moved_on.keeper.parts()
    assert not part.ok
    assert "rods-3 (in panel-hall)" in part.text


def test_moved_to_a_zone_there_is_it_is_watched_again_with_its_whole_history(moved_on: Yard) -> None:
    moved_on.enter("rods-3", Moved(Place.OPEN_AIR, "slip-bay"))
    moved_on.run_to(START_S + 3 * HOUR)
    clock = moved_on.loop.state.clocks["rods-3"]
    assert clock.open_s == pytest.approx(3 * HOUR - 1200.0, abs=300.0)
    assert "rods-3" not in moved_on.keeper.adrift


def test_a_settings_file_that_names_the_zone_again_finds_everything_as_it_was(
    moved_on: Yard, tmp_path: Path
) -> None:
    with_settings(moved_on, yard_settings(tmp_path))
    moved_on.run_to(START_S + 3 * HOUR)
    assert {"rods-3", "spool-9"} <= set(moved_on.loop.state.clocks)
    assert {"keel", "mix-7"} <= set(moved_on.loop.state.bodies)
    assert moved_on.keeper.adrift == {}


def test_an_alarm_of_a_zone_that_is_gone_is_withdrawn_in_the_record(yard: Yard) -> None:
    yard.run_to(START_S + 2 * HOUR)
    standing = yard.loop.state.book.alarms["zone_humidity_high.slip-bay"]
    assert standing.active
    without_zone(yard, "slip-bay")
    yard.run_to(START_S + 3 * HOUR)
    moves = yard.ledger.events(subject="zone_humidity_high.slip-bay", kinds=[EventKind.ALARM_TRANSITION])
    assert moves[-1].body["to_state"] == "normal"
    assert moves[-1].body["trigger"] == "withdraw"


def test_a_site_that_is_gone_takes_its_warnings_with_it(tmp_path: Path) -> None:
    one_site = yard_settings(tmp_path)
    far = {
        "sites": [*one_site.sites, {"id": "far", "name": "Far Quay", "timezone": "Europe/London"}],
        "zones": [
            zone.model_copy(update={"site": "far"}) if zone.id == GONE else zone for zone in one_site.zones
        ],
        "limits": {"humidity_caution_frac": 0.4},
    }
    yard = Yard(tmp_path, yard_settings(tmp_path, **far))
    yard.run_to(START_S + 2 * HOUR)
    assert any(group.site == "far" for group in yard.loop.state.groups.groups.values())
    with_settings(yard, one_site)
    yard.loop.snapshot()
    yard.run_to(START_S + 3 * HOUR)
    assert all(group.site != "far" for group in yard.loop.state.groups.groups.values())
    assert {warning.site for warning in yard.loop.snapshot().warnings} <= {"ferrymoor"}
    yard.close()


def test_a_package_opened_nowhere_is_refused_and_one_on_record_stops_nothing(yard: Yard) -> None:
    nowhere = Opened("Rods 4", "e7018", "", Place.UNKNOWN)
    yard.run_to(START_S + 1200.0)
    with pytest.raises(InputError, match="zone: found nothing"):
        yard.enter("rods-4", nowhere)
    event = NewEvent(nowhere.kind, "rods-4", yard.fed_s, LEAD, body_of(nowhere), "", "old")
    yard.ledger.commit([event], entered_s=yard.fed_s)
    yard.restart()
    yard.run_to(START_S + HOUR)
    assert yard.keeper.adrift == {"rods-4": ""}
    yard.enter("rods-4", Moved(Place.OPEN_AIR, "panel-hall"))
    yard.run_to(START_S + 2 * HOUR)
    assert yard.loop.state.clocks["rods-4"].open_s == pytest.approx(2 * HOUR - 1200.0, abs=300.0)


def test_a_quantity_that_left_a_sensors_settings_is_compared_with_nothing_and_stops_nothing(
    yard: Yard,
) -> None:
    yard.run_to(START_S + 1200.0)
    sensors = tuple(
        sensor.model_copy(update={"measures": tuple(m for m in sensor.measures if m.quantity is not AIR)})
        if sensor.zone == "slip-bay"
        else sensor
        for sensor in yard.settings.sensors
    )
    with_settings(yard, yard.settings.model_copy(update={"sensors": sensors}))
    yard.run_to(START_S + 2400.0)
    assert yard.loop.state.time_s == START_S + 2400.0
