"""What is said of a thing that has no figures yet."""

import math
from types import SimpleNamespace

import pytest

from monitor.core import levels
from monitor.core.heated_stores import StoreNow
from monitor.core.shop import ZoneFacts
from monitor.model.air import AirState
from monitor.model.level import Level


def test_what_was_just_brought_in_is_not_blamed_on_a_sensor() -> None:
    level, reason = levels.body_level(None, 3.0, air_known=True)
    assert (level, reason) == (Level.UNKNOWN, "just entered, judged at the next look")
    assert levels.body_action("cylinder", level, air_known=True) == "Feel it by hand; leave it shut."


def test_where_no_sensor_is_believed_the_sensor_is_to_be_looked_after() -> None:
    level, reason = levels.body_level(None, 3.0, air_known=False)
    assert (level, reason) == (Level.UNKNOWN, "no believable reading")
    assert "sensor" in levels.body_action("plate", level, air_known=False)


@pytest.mark.parametrize("kind", ["oven", "quiver", "cabinet", "store", "hall", "outdoor"])
def test_a_number_that_is_none_is_not_known_and_never_safe(kind: str) -> None:
    nan = math.nan
    zone = ZoneFacts("z", "Z", "s", kind, True, 0.1, 101_325.0, 0.6, 12.0, 120.0)
    air = AirState(*(nan,) * 10)
    shop = SimpleNamespace(holds=lambda _: True, limits=SimpleNamespace(humidity_caution_frac=0.6))
    now = StoreNow(nan, nan, None, nan, 0.0)
    assert levels.zone_level(shop, zone, air, now, 0.0)[0] is Level.UNKNOWN  # type: ignore[arg-type]


def test_a_margin_that_is_no_number_is_not_known() -> None:
    now = SimpleNamespace(margin_k=math.nan, wet=False, from_frost=False)
    assert levels.body_level(now, 3.0, air_known=True)[0] is Level.UNKNOWN  # type: ignore[arg-type]
