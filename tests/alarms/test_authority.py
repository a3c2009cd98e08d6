"""Who may do what with an alarm: by role, from data, and refused in words that name who may."""

import pytest

from monitor.alarms.authority import authority_from, refusal
from monitor.alarms.states import CommandKind
from monitor.model.actor import ANYBODY, Actor, KnownBy
from monitor.model.errors import InputError
from monitor.settings.reference import load_toml


def who(role: str) -> Actor:
    return Actor("Ann", KnownBy.CHOSEN, (role,))


TABLE = authority_from(load_toml("alarm_authority.toml"))


def test_everybody_may_acknowledge_and_a_lead_may_do_everything() -> None:
    assert all(
        refusal(TABLE, who(role), CommandKind.ACKNOWLEDGE) is None for role in ("reviewer", "inspector")
    )
    assert all(refusal(TABLE, who("lead"), kind) is None for kind in CommandKind)


@pytest.mark.parametrize(
    ("role", "may"),
    [
        ("lead", {"acknowledge", "shelve", "enter", "try_channel", "keep_accounts"}),
        ("engineer", {"acknowledge", "shelve", "enter", "try_channel"}),
        ("inspector", {"acknowledge", "enter"}),
        ("reviewer", {"acknowledge"}),
        ("welder", {"enter"}),
        ("keeper", {"try_channel", "keep_accounts"}),
        ("", set()),
    ],
)
def test_each_role_may_what_the_table_says_and_no_more(role: str, may: set[str]) -> None:
    acts = ("acknowledge", "shelve", "enter", "try_channel", "keep_accounts")
    assert {act for act in acts if refusal(TABLE, who(role), act) is None} == may


def test_a_reviewer_who_shelves_is_told_whom_to_ask() -> None:
    said = refusal(TABLE, who("reviewer"), CommandKind.SHELVE)
    assert said == "a reviewer may not shelve: ask engineer or lead"


@pytest.mark.parametrize("kind", CommandKind)
def test_whoever_has_no_role_may_do_nothing(kind: CommandKind) -> None:
    said = refusal(TABLE, Actor("lead ", KnownBy.TYPED), kind)
    assert said == "lead  is not known as one of this shop's people: choose a name from the list, or log in"


def test_where_nobody_is_named_a_warning_can_be_answered_and_set_aside_by_nobody() -> None:
    assert refusal(TABLE, who(ANYBODY), CommandKind.ACKNOWLEDGE) is None
    for kind in set(CommandKind) - {CommandKind.ACKNOWLEDGE}:
        assert "the settings name no people" in str(refusal(TABLE, who(ANYBODY), kind))


def test_a_program_may_what_its_own_role_and_that_of_its_person_allow() -> None:
    for roles in (("lead", "reviewer"), ("reviewer", "lead")):
        board = Actor("Ann", KnownBy.PROGRAM, roles, "board")
        assert refusal(TABLE, board, CommandKind.ACKNOWLEDGE) is None
        assert str(refusal(TABLE, board, CommandKind.SHELVE)).startswith("a reviewer may not shelve")


def test_a_table_that_names_nobody_for_an_act_is_a_fault() -> None:
    with pytest.raises(InputError, match=r"roles\.reset"):
        authority_from({"roles": {kind: ["lead"] for kind in CommandKind if kind is not CommandKind.RESET}})
