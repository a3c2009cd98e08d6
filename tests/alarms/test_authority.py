"""Who may do what with an alarm: by role, from data, and refused in words that name who may."""

import pytest

from monitor.alarms.authority import authority_from, refusal
from monitor.alarms.states import CommandKind
from monitor.model.errors import InputError
from monitor.settings.reference import load_toml

TABLE = authority_from(load_toml("alarm_authority.toml"))


def test_everybody_may_acknowledge_and_a_lead_may_do_everything() -> None:
    assert all(refusal(TABLE, role, CommandKind.ACKNOWLEDGE) is None for role in ("reviewer", "inspector"))
    assert all(refusal(TABLE, "lead", kind) is None for kind in CommandKind)


def test_a_reviewer_who_shelves_is_told_whom_to_ask() -> None:
    said = refusal(TABLE, "reviewer", CommandKind.SHELVE)
    assert said == "a reviewer may not shelve: ask engineer or lead"


def test_what_has_no_role_is_not_held_back_here() -> None:
    assert refusal(TABLE, None, CommandKind.TAKE_OUT_OF_SERVICE) is None


def test_a_table_that_names_nobody_for_an_act_is_a_fault() -> None:
    with pytest.raises(InputError, match=r"roles\.reset"):
        authority_from({"roles": {kind: ["lead"] for kind in CommandKind if kind is not CommandKind.RESET}})
