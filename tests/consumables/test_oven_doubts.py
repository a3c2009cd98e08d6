"""What is said before a package goes into an oven, and while it lies there.

Numbers of AWS D1.1/D1.1M:2015 5.3.2 and of common practice for wire, quoted in `shared/consumables.toml`.
"""

from collections.abc import Callable
from dataclasses import replace

import pytest

from monitor.consumables.classes import Place
from monitor.consumables.exposure_air import AirStretch
from monitor.consumables.exposure_clock import ExposureClock, advance_clock, start_clock
from monitor.consumables.exposure_limits import ClockRules
from monitor.consumables.heat import Heat
from monitor.consumables.oven_doubts import oven_doubts
from monitor.consumables.stays import StoreReading
from monitor.consumables.verdict import package_verdict
from monitor.model.shop_rule import ShopRule

H = 3600.0
Rules = Callable[..., ClockRules]
LETTER = ShopRule(redry_permission="maker's letter of 3 May")


def opened(rules: ClockRules, rebakes: int = 0) -> ExposureClock:
    return replace(start_clock(0.0, rules), heat=Heat(rebakes=rebakes))


@pytest.mark.parametrize(
    ("name", "shop", "metal", "rebakes", "oven_c", "words"),
    [
        ("e7018", ShopRule(), True, 0, 25.0, ""),
        (
            "e7018",
            ShopRule(),
            True,
            0,
            132.0,
            "reads 132 °C: the first 0.5 h at 120 °C or less, then 2 h at 260-430",
        ),
        ("e7018", ShopRule(), True, 0, 480.0, "above 430 °C it is spoilt"),
        ("e7018", ShopRule(), True, 0, None, "Nobody knows how hot"),
        ("e7018", ShopRule(), True, 1, 25.0, "Baked 1 x of 1 allowed"),
        ("e6010", ShopRule(), True, 0, 25.0, "never redried"),
        ("fcaw-folded-h8", LETTER, True, 0, 25.0, ""),
        ("fcaw-folded-h8", LETTER, False, 0, 25.0, "Plastic spools melt"),
        ("fcaw-folded-h8", ShopRule(), True, 0, 25.0, "maker's written word"),
    ],
)
def test_what_speaks_against_redrying_is_said(
    rules_for: Rules, name: str, shop: ShopRule, metal: bool, rebakes: int, oven_c: float | None, words: str
) -> None:
    rules = replace(rules_for(name, shop), stands_heat=metal)
    found = oven_doubts(Place.REDRY, opened(rules, rebakes), rules, oven_c)
    assert any(words in one for one in found) if words else not found


def test_a_plastic_spool_is_doubted_in_the_holding_oven_too_and_nowhere_else(rules_for: Rules) -> None:
    rules = replace(rules_for("fcaw-folded-h8", LETTER), stands_heat=False)
    assert "melt" in oven_doubts(Place.HOLDING_OVEN, opened(rules), rules, 110.0)[0]
    assert oven_doubts(Place.DRY_CABINET, opened(rules), rules, None) == ()


@pytest.mark.parametrize(
    ("name", "shop", "metal", "rebakes", "read", "words"),
    [
        ("e7018", ShopRule(), True, 0, (110.0, 110.0, 300.0), "Let the bake finish (260-430 °C for 2 h)"),
        ("e7018", ShopRule(), True, 0, (132.0, 132.0, 132.0), "Not baking: the oven was at 132 °C"),
        ("e7018", ShopRule(), True, 0, (300.0,), "first step was not shown"),
        ("e7018", ShopRule(), True, 0, (), "Read the oven and enter it"),
        ("e7018", ShopRule(), True, 1, (110.0, 110.0, 110.0), "Take it out before it bakes again"),
        (
            "e7018",
            ShopRule(),
            True,
            1,
            (110.0,),
            "Withdraw it",
        ),  # for an hour nobody knows: it may have baked
        ("e6010", ShopRule(), True, 0, (110.0,), "Withdraw it"),  # never baked, and it lies in a bake
        ("fcaw-folded-h8", ShopRule(), True, 0, (60.0,), "no redrying of it is allowed"),
        ("fcaw-folded-h8", LETTER, False, 0, (60.0,), "Take it out of the oven: plastic melts"),
        ("fcaw-folded-h8", LETTER, False, 0, (110.0,), "Withdraw it"),  # it has melted
    ],
)
def test_what_lies_in_the_oven_is_told_what_is_true_of_it(
    rules_for: Rules,
    name: str,
    shop: ShopRule,
    metal: bool,
    rebakes: int,
    read: tuple[float, ...],
    words: str,
) -> None:
    rules = replace(rules_for(name, shop), stands_heat=metal)
    checks = tuple(StoreReading(n * 2000.0, warm_c) for n, warm_c in enumerate(read))
    clock = replace(opened(rules, rebakes), place=Place.REDRY, zone="oven")
    clock = advance_clock(clock, AirStretch(Place.REDRY, "oven", 5000.0, checks=checks), rules)
    action = package_verdict(clock, rules).action
    assert words in action
    assert len(action) <= 110
