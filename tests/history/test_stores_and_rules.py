"""What a person reads speaks for a while; whose rule holds: the code's, or the shop's with its reason."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.consumables.classes import Place
from monitor.consumables.exposure_limits import ClockRules
from monitor.consumables.rule_book import RuleBook, rule_book, speaking_from
from monitor.consumables.stays import Stay
from monitor.engine.build import build_shop, known_reference
from monitor.history.entries import DesiccantRenewed, StoreChecked
from monitor.history.placement import PLACES
from monitor.history.records import Dated
from monitor.history.store_history import StoreReading, desiccant_lasts, store_history, with_checks
from monitor.model.errors import InputError
from monitor.settings.file import load
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings
from tests.bookkeeper.yard import ZONES, yard_settings

HALF_DAY = 43_200.0


def test_a_stay_carries_what_was_read_where_the_package_lay_before_and_during_it() -> None:
    stay = Stay(Place.HOLDING_OVEN, "quay-oven", 0.0, 500.0, 128.0)
    early, late, after = StoreReading(-20.0, 130.0), StoreReading(40.0, 90.0), StoreReading(500.0, 150.0)
    found = with_checks([stay], {"quay-oven": (after, late, early), "rod-oven": (StoreReading(5.0, 1.0),)})
    assert [one.checks for one in found] == [(early, late)]
    assert found[0].readings == (early, StoreReading(0.0, 128.0), late)


def test_desiccant_is_due_once_it_has_lasted() -> None:
    history = store_history([Dated(0.0, StoreChecked(24.0, 0.2)), Dated(10.0, DesiccantRenewed())])
    assert history.checks == (StoreReading(0.0, 24.0, 0.2),)
    assert desiccant_lasts(load_toml("stores.toml")).value == 30.0
    assert history.desiccant_due_s(86_400.0) == 86_410.0
    assert store_history([]).desiccant_due_s(86_400.0) is None


def test_every_place_fits_some_zone_and_only_ovens_are_hot() -> None:
    assert set(PLACES) == set(Place)
    kinds = {kind for kind, _ in ZONES.values()}
    assert all(fitting & kinds for fitting in PLACES.values())
    for place in (Place.HOLDING_OVEN, Place.REDRY):
        assert PLACES[place] == {"oven"}


# --- rules: hours of AWS D1.1/D1.1M:2015 Table 5.1, quoted with provenance in shared/consumables.toml


def book(tmp_path: Path, *rules: dict[str, Any], **more: Any) -> RuleBook:
    settings = yard_settings(tmp_path, shop_rules=list(rules), **more)
    return rule_book(
        settings,
        load_toml("consumables.toml"),
        load_toml("sorption.toml"),
        derived_every_s=settings.service.derived_every_s,
        speaking=speaking_from(load_toml("readings.toml")),
    )


def rules_of(tmp_path: Path, consumable: str, **rule: Any) -> ClockRules:
    return book(tmp_path, {"consumable": consumable, **rule}).rules_for("p", consumable)


def test_without_a_rule_the_code_holds(tmp_path: Path) -> None:
    rules = book(tmp_path).rules_for("p", "e7018")
    assert (rules.limit_h, rules.shop_is_looser, rules.shop.due_frac) == (4.0, False, 0.8)


def test_a_stricter_rule_needs_no_reason(tmp_path: Path) -> None:
    rules = rules_of(tmp_path, "e7018", limit_h=2)
    assert (rules.limit_h, rules.shop_is_looser) == (2.0, False)


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        ({"consumable": "saw-flux-fused", "limit_h": 12}, "is looser than the maker's 8 h; write the reason"),
        (
            {"consumable": "saw-flux-fused", "limit_h": 12, "reason": "we always did"},
            "a rule looser than the code names its document",
        ),
        ({"consumable": "saw-flux-fused", "limit_h": 12, "document": "WPS 1"}, "write the reason"),
        ({"limit_h": 6, "reason": "we always did", "document": "WPS 1"}, "which no shop sets aside"),
        ({"hold_restarts_clock": True}, "name under document"),
        (
            {"tested": {"limit_h": 12, "temperature_c": 27, "rh_frac": 0.8, "document": "T-1"}},
            "column B allows more than 4 and up to 10 h",
        ),
        ({"use_first_frac": 0.9, "due_frac": 0.8}, "use_first_frac ≤ due_frac"),
    ],
)
def test_a_looser_rule_needs_a_reason_and_a_document(
    tmp_path: Path, rule: dict[str, Any], words: str
) -> None:
    with pytest.raises(InputError, match=words):
        book(tmp_path, {"consumable": "e7018", **rule})


def test_a_looser_rule_with_both_holds_and_is_told(tmp_path: Path) -> None:
    rules = rules_of(tmp_path, "saw-flux-fused", limit_h=12, reason="maker's test 12/26", document="WPS 1")
    assert (rules.limit_h, rules.shop_is_looser) == (12.0, True)


def test_column_b_by_test_governs_in_air_no_wetter_than_the_tests(tmp_path: Path) -> None:
    """Table 5.1 column B: over 4, to 10 h (from memory); 5.3.2.3: not in air wetter than the test's."""
    tested = {"limit_h": 9, "temperature_c": 27, "rh_frac": 0.8, "document": "Test report 4"}
    rules = rules_of(tmp_path, "e7018", tested=tested)
    assert (rules.code_h, rules.shop_is_looser) == (9.0, False)
    assert rules.rating is not None
    assert (rules.rating.beyond_h, rules.rating.rh_frac) == (4.0, 0.8)


def test_hold_and_redry_are_the_shops_to_set(tmp_path: Path) -> None:
    assert not book(tmp_path).rules_for("p", "e7018").hold_restarts_clock
    assert rules_of(tmp_path, "e7018", hold_restarts_clock=True, document="WPS 1").hold_restarts_clock
    assert not book(tmp_path).rules_for("p", "fcaw-folded-h8").redry_allowed
    word = {"consumable": "fcaw-folded-h8", "redry_permission": "maker's letter of 3 May"}
    found = replace(book(tmp_path, word), metal_spools=frozenset({"bs300"}))
    assert found.rules_for("p", "fcaw-folded-h8", "bs300").redry_allowed
    for melts in ("s300", ""):  # of a spool of which nothing was entered nobody knows that it stands the heat
        assert not found.rules_for("p", "fcaw-folded-h8", melts).redry_allowed


def test_of_the_classes_rule_and_the_packages_own_limit_the_stricter_holds(tmp_path: Path) -> None:
    package = {
        "id": "p-1", "zone": "slip-bay", "name": "P", "consumable": "e7018", "shop_limit_h": 1,
        "opened_at": "2026-09-09T06:00:00+01:00",
    }  # fmt: skip
    found = book(tmp_path, {"consumable": "e7018", "limit_h": 2}, packages=[package])
    assert found.rules_for("p-1", "e7018").limit_h == 1.0
    assert found.rules_for("p-2", "e7018").limit_h == 2.0
    assert found.rules_for("p-1", "e7018").shop.due_frac == 0.8


def test_the_share_at_which_a_package_is_due_is_the_settings(tmp_path: Path) -> None:
    found = book(tmp_path, {"consumable": "e7018", "due_frac": 0.9}, limits={"exposure_due_frac": 0.4})
    assert found.rules_for("p", "e7018").shop.due_frac == 0.9
    other = found.rules_for("p", "e7018m").shop
    assert (other.use_first_frac, other.due_frac) == (0.4, 0.4)


def test_rules_come_from_the_settings_file_and_a_wrong_class_is_named(tmp_path: Path) -> None:
    file = tmp_path / "shop.toml"
    text = (
        '[[sites]]\nid = "s"\nname = "S"\n[[zones]]\nid = "z"\nsite = "s"\nname = "Z"\n'
        '[[shop_rules]]\nconsumable = "{name}"\nlimit_h = 2\n'
    )
    file.write_text(text.format(name="e7018"), encoding="utf-8")
    settings: Settings = load(file, known=known_reference())
    assert build_shop(settings).packages == {}
    assert settings.shop_rules[0].limit_h == 2.0
    file.write_text(text.format(name="e9999"), encoding="utf-8")
    with pytest.raises(InputError, match=r"shop_rules\[0\].consumable"):
        load(file, known=known_reference())
