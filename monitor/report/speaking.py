"""Says a finished sentence as a shop reads it: its units, its language, its clock."""

from collections.abc import Callable
from typing import Any

from monitor.model.shop_units import in_clock, in_shop_units
from monitor.settings.schema import Settings
from monitor.settings.sentences import sentences


def speaker(settings: Settings) -> Callable[[str], str]:
    """What makes of a sentence worded inside one that is read here; the last step before paper."""
    web = settings.web
    language = sentences(web.language)

    def say(text: str) -> str:
        told = in_shop_units(text, fahrenheit=web.temperature_unit == "F", us=web.units == "us")
        said = told if language is None else language.say(told)
        return in_clock(said, twelve=web.clock == "12")

    return say


def spoken(data: Any, say: Callable[[str], str]) -> Any:
    """Every text in plain data, said."""
    if isinstance(data, str):
        return say(data)
    if isinstance(data, dict):
        return {name: spoken(one, say) for name, one in data.items()}
    return [spoken(one, say) for one in data] if isinstance(data, list | tuple) else data
