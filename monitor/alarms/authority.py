"""Says which role may do what, with alarms and beside them; the table is data."""

from collections.abc import Mapping
from typing import Any

from monitor.alarms.states import CommandKind
from monitor.model.actor import ANYBODY, Actor
from monitor.model.errors import Fault, InputError

Authority = Mapping[str, frozenset[str]]

ENTER, TRY_CHANNEL, KEEP_ACCOUNTS = "enter", "try_channel", "keep_accounts"
_ACTS: dict[str, str] = {
    CommandKind.ACKNOWLEDGE: "acknowledge",
    CommandKind.SHELVE: "shelve",
    CommandKind.UNSHELVE: "take off the shelf",
    CommandKind.RESET: "reset",
    CommandKind.TAKE_OUT_OF_SERVICE: "take out of service",
    CommandKind.RETURN_TO_SERVICE: "put back in service",
    ENTER: "make entries",
    TRY_CHANNEL: "send test messages",
    KEEP_ACCOUNTS: "keep accounts",
}


def authority_from(data: Mapping[str, Any]) -> Authority:
    """The table in `alarm_authority.toml` as read; raises InputError where an act is missing."""
    rows = data.get("roles", {})
    missing = [act for act in _ACTS if not rows.get(act)]
    if missing:
        raise InputError([Fault(f"roles.{act}", "nobody", "name at least one role") for act in missing])
    return {act: frozenset(rows[act]) for act in _ACTS}


def refusal(authority: Authority, actor: Actor, act: str) -> str | None:
    """Why somebody may not do it; None where every role of theirs allows it, and they have one."""
    if not actor.roles:
        return (
            f"{actor.name} is not known as one of this shop's people: choose a name from the list, or log in"
        )
    lacking = next((role for role in actor.roles if role not in authority[act]), None)
    if lacking is None:
        return None
    if lacking == ANYBODY:
        return f"the settings name no people, so nobody may {_ACTS[act]}: name them in [[people]]"
    *others, last = sorted(authority[act] - {ANYBODY})
    who = f"{', '.join(others)} or {last}" if others else last
    article = "an" if lacking[:1] in "aeiou" else "a"
    return f"{article} {lacking} may not {_ACTS[act]}: ask {who}"
