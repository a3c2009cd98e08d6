"""The written model of the life cycle: the legal moves of `alarm_states.toml`."""

from monitor.alarms.states import AlarmState, Trigger
from monitor.settings.reference import load_toml

Move = tuple[AlarmState, Trigger, AlarmState]


def legal_moves() -> frozenset[Move]:
    """Every move the written model allows."""
    return frozenset(
        (AlarmState(start), Trigger(row["trigger"]), AlarmState(end))
        for row in load_toml("alarm_states.toml")["moves"]
        for start in row["from"]
        for end in row["to"]
    )
