"""What is said of a thing that has no figures yet."""

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from monitor.core import levels
from monitor.core.body_figures import Figures
from monitor.core.heated_stores import StoreNow
from monitor.core.shop import ZoneFacts
from monitor.core.state import Since
from monitor.model.air import AirState
from monitor.model.level import Level
from monitor.model.picture import Wait

LIMITS = SimpleNamespace(margin_caution_k=3.0, humidity_caution_frac=0.6)
SHOP: Any = SimpleNamespace(limits=LIMITS, supposed=SimpleNamespace(wet_odds_frac=0.05))


def test_what_was_just_brought_in_is_not_blamed_on_a_sensor() -> None:
    level, reason = levels.shown(levels.of_body(None, SHOP, air_known=True), None, 0.0)
    assert (level, reason) == (Level.UNKNOWN, "just entered, judged at the next look")
    assert levels.body_action("cylinder", level, air_known=True) == "Feel it by hand; leave it shut."


def test_where_no_sensor_is_believed_the_sensor_is_to_be_looked_after() -> None:
    level, reason = levels.shown(levels.of_body(None, SHOP, air_known=False), None, 0.0)
    assert (level, reason) == (Level.UNKNOWN, "no believable reading")
    assert "sensor" in levels.body_action("plate", level, air_known=False)


@pytest.mark.parametrize("kind", ["oven", "quiver", "cabinet", "store", "hall", "outdoor"])
def test_a_number_that_is_none_is_not_known_and_never_safe(kind: str) -> None:
    nan = math.nan
    zone = ZoneFacts(
        id="z",
        name="Z",
        site="s",
        kind=kind,  # type: ignore[arg-type]
        pressure_pa=101_325.0,
        max_relative_humidity_frac=0.6,
        max_dew_point_c=12.0,
        min_temperature_c=120.0,
    )
    air = AirState(*(nan,) * 10)
    shop = SimpleNamespace(holds=lambda _: True, things_in=lambda _: 0, limits=LIMITS)
    now = StoreNow(nan, nan, None, nan, 0.0)
    judged = levels.of_zone(shop, zone, air, now, 0.0)  # type: ignore[arg-type]
    assert levels.shown(judged, None, 0.0)[0] is Level.UNKNOWN


def test_a_margin_that_is_no_number_is_not_known() -> None:
    now = SimpleNamespace(margin_k=math.nan, wet=False, from_frost=False)
    judged = levels.of_body(now, SHOP, air_known=True)  # type: ignore[arg-type]
    assert levels.shown(judged, None, 0.0)[0] is Level.UNKNOWN


def seen(margin_k: float, odds_frac: float, supposed: str = "", *, doubtful: bool = False) -> Figures:
    wait = Wait(None, "")
    figures = Figures(0.0, 10.0, margin_k, 1.0, False, odds_frac, 0.0, wait, wait, wait, 99.0)
    return replace(figures, supposed=supposed, doubtful=doubtful)


def test_a_mean_margin_that_is_clear_is_not_safe_where_water_is_too_likely() -> None:
    """A normal deviation of 3 K around 4 K is wet with odds of 9 % (tables of the normal distribution)."""
    dry, reason = levels.shown(levels.of_body(seen(4.0, 0.04), SHOP, air_known=True), None, 0.0)
    assert (dry, reason) == (Level.SAFE, "dry")
    wide, reason = levels.shown(levels.of_body(seen(4.0, 0.0912), SHOP, air_known=True), None, 0.0)
    assert (wide, reason) == (Level.CAUTION, "may be wet, chance 9 %")
    no_number, _ = levels.shown(levels.of_body(seen(4.0, math.nan), SHOP, air_known=True), None, 0.0)
    assert no_number is Level.CAUTION


@pytest.mark.parametrize(
    "later",
    [
        levels.of_body(None, SHOP, air_known=False),
        levels.of_body(seen(4, 0, "gap", doubtful=True), SHOP, air_known=True),
    ],
    ids=["silent", "in doubt"],
)
def test_danger_stands_with_its_age_until_newer_evidence_unsays_it(later: levels.Judged) -> None:
    wet = levels.noted(levels.of_body(seen(-1.0, 0.9), SHOP, air_known=True), None, 1000.0)
    kept = levels.noted(later, wet, 1600.0)
    assert kept == Since(Level.DANGER, 1000.0, 1000.0, "sweating")
    level, reason = levels.shown(later, kept, 1000.0 + 3 * 3600.0)
    assert level is Level.DANGER
    assert reason.startswith("sweating when last known, 3 h ago; ")
    dry = levels.noted(levels.of_body(seen(5.0, 0.0), SHOP, air_known=True), kept, 12_000.0)
    assert dry.level is Level.SAFE
    assert levels.shown(later, dry, 12_600.0)[0] is Level.UNKNOWN


@pytest.mark.parametrize("evidence", sorted(levels.NO_EVIDENCE))
@pytest.mark.parametrize("level", list(Level))
def test_nothing_is_safe_without_evidence(level: Level, evidence: levels.Grounds) -> None:
    judged = levels.Judged(level, "dry", evidence)
    for before in (None, Since(Level.SAFE, 0.0, 0.0, "dry"), Since(Level.CAUTION, 0.0, 0.0, "near")):
        assert levels.shown(judged, before, 60.0)[0] is Level.UNKNOWN
