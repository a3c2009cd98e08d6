"""How long things last and how often somebody may try, read from `access.toml`."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from monitor.model.data_tables import Table

_MOST = 1e9
_UNITS = {"memory": "KiB"} | dict.fromkeys(
    (
        "from_one_address_pause",
        "strangers_on_one_name_pause",
        "all_strangers_pause",
        "known_device_pause",
        "once_more_pause",
        "pin_on_one_device_pause",
        "pin_idle",
        "pin_session",
        "first_link",
        "invitation",
        "pin_seen",
        "session_seen",
    ),
    "s",
)


@dataclass(frozen=True, slots=True)
class AccessRules:
    """Counts, and times in seconds; each with its provenance in the data file."""

    memory: int
    passes: int
    waiting: int
    password_shortest: int
    password_longest: int
    password_strength: int
    pin_shortest: int
    pin_longest: int
    from_one_address: int
    from_one_address_pause: int
    strangers_on_one_name: int
    strangers_on_one_name_pause: int
    all_strangers: int
    all_strangers_pause: int
    known_device: int
    known_device_pause: int
    once_more: int
    once_more_pause: int
    pin_on_one_device: int
    pin_on_one_device_pause: int
    pin_wrong_in_a_row: int
    remembered: int
    pin_idle: int
    pin_session: int
    first_link: int
    invitation: int
    pin_seen: int
    session_seen: int
    sessions_of_one: int
    screens: int


def access_rules(data: Mapping[str, Any]) -> AccessRules:
    """Read the rules; InputError names every fault."""
    table = Table(data, "access")
    found = {
        field.name: int(table.sourced(field.name, _UNITS.get(field.name, "1"), 1.0, _MOST).value)
        for field in fields(AccessRules)
    }
    table.finish()
    return AccessRules(**found)
