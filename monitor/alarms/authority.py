"""Says which role may do what with an alarm; the table is data."""

from collections.abc import Mapping
from typing import Any

from monitor.alarms.states import CommandKind
from monitor.model.actor import ANYBODY, Actor
from monitor.model.errors import Fault, InputError

Authority = Mapping[CommandKind, frozenset[str]]

_ACTS = {
    CommandKind.ACKNOWLEDGE: "acknowledge",
    CommandKind.SHELVE: "shelve",
    CommandKind.UNSHELVE: "take off the shelf",
    CommandKind.RESET: "reset",
    CommandKind.TAKE_OUT_OF_SERVICE: "take out of service",
    CommandKind.RETURN_TO_SERVICE: "put back in service",
}


def authority_from(data: Mapping[str, Any]) -> Authority:
    """The table in `alarm_authority.toml` as read; raises InputError where an act is missing."""
    rows = data.get("roles", {})
    missing = [kind for kind in CommandKind if not rows.get(kind)]
    if missing:
        raise InputError([Fault(f"roles.{kind}", "nobody", "name at least one role") for kind in missing])
    return {kind: frozenset(rows[kind]) for kind in CommandKind}


def refusal(authority: Authority, actor: Actor, kind: CommandKind) -> str | None:
    """Why somebody may not do it; None where every role of theirs allows it, and they have one."""
    if not actor.roles:
        return (
            f"{actor.name} is not known as one of this shop's people: choose a name from the list, or log in"
        )
    lacking = next((role for role in actor.roles if role not in authority[kind]), None)
    if lacking is None:
        return None
    if lacking == ANYBODY:
        return f"the settings name no people, so nobody may {_ACTS[kind]}: name them in [[people]]"
    *others, last = sorted(authority[kind] - {ANYBODY})
    who = f"{', '.join(others)} or {last}" if others else last
    article = "an" if lacking[:1] in "aeiou" else "a"
    return f"{article} {lacking} may not {_ACTS[kind]}: ask {who}"
