"""The shared trade data, and air to lay packages in."""

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.consumables.classes import ConsumableClass, consumable_classes
from monitor.consumables.exposure_air import AirSamples
from monitor.consumables.exposure_limits import ClockRules, clock_rules
from monitor.consumables.materials import SorptionData, sorption_data
from monitor.model.shop_rule import ShopRule

SHARED = Path(__file__).parents[2] / "shared"


def toml(name: str) -> dict[str, Any]:
    return tomllib.loads((SHARED / name).read_text(encoding="utf-8"))


CLASSES = consumable_classes(toml("consumables.toml"))
SORPTION = sorption_data(toml("sorption.toml"))


@pytest.fixture(scope="session")
def classes() -> dict[str, ConsumableClass]:
    return CLASSES


@pytest.fixture(scope="session")
def sorption() -> SorptionData:
    return SORPTION


@pytest.fixture(scope="session")
def rules_for() -> Callable[..., ClockRules]:
    def rules(name: str, shop: ShopRule | None = None) -> ClockRules:
        return clock_rules(CLASSES[name], shop or ShopRule(), SORPTION.parameters(), reading_speaks_s=900.0)

    return rules


@pytest.fixture(scope="session")
def steady_air() -> Callable[..., AirSamples]:
    """Readings every minute of air that does not change."""

    def air(
        temperature_c: float, rh_frac: float, start_s: float, end_s: float, believed: bool = True
    ) -> AirSamples:
        times = np.arange(start_s, end_s, 60.0)
        shape = times.shape
        return AirSamples(
            times, np.full(shape, temperature_c), np.full(shape, rh_frac), np.full(shape, believed)
        )

    return air


@pytest.fixture(scope="session")
def shared_toml() -> Callable[[str], dict[str, Any]]:
    return toml
