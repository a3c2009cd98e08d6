"""What a shop adds for the outlook's sake: contacts, carbon dioxide, people, power, parts, sun."""

from monitor.engine.build import build_shop
from tests.mqtt.yard import sensor, settings_with

DOOR = {"quantity": "door_open_frac", "unit": "/"}
SLOW = {"interval_s": 3600.0, "stale_after_s": 21_600.0}


def test_a_contact_that_speaks_seldom_keeps_no_air_fresh() -> None:
    air = sensor("air", stale_after_s=300.0)
    alone = build_shop(settings_with(air))
    beside = build_shop(settings_with(air, sensor("door", measures=[DOOR], **SLOW)))
    assert beside.fresh_s == alone.fresh_s == {"slip-bay": 300.0}
