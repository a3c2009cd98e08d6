"""The catalogue of conditions: complete, sourced, and safe in what it advises."""

import re
from collections.abc import Mapping
from typing import Any

import pytest

from monitor.alarms.catalogue import Direction, Priority, catalogue_from
from monitor.alarms.conditions import MIN_CYCLE_S, ConditionSubject, Tuning, condition
from monitor.model.errors import InputError
from monitor.settings.reference import load_toml
from tests.alarms.shop import catalogue

DATA = load_toml("conditions.toml")
KINDS = catalogue().kinds
# Facts the service may state; a misspelt one would leave a condition in play for ever.
FACTS = {
    "zone_out_of_use",
    "outdoor",
    "off_shift",
    "body_absent",
    "package_sealed",
    "quiver_empty",
    "site_closed",
}


def sourced(table: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    rows = []
    for value in table.values():
        if isinstance(value, Mapping):
            rows += [value] if "source" in value and "value" in value else sourced(value)
    return rows


def test_every_limit_says_where_it_comes_from() -> None:
    rows = sourced(DATA)
    assert len(rows) >= 2 * len(KINDS)
    for row in rows:
        assert row["status"] in {"published", "common practice", "from memory"}
        assert row["source"]


@pytest.mark.parametrize("name", KINDS)
def test_every_kind_calls_for_a_response_and_cannot_chatter(name: str) -> None:
    kind = KINDS[name]
    assert all(key in catalogue().responses for key in kind.responses.values())
    assert set(kind.not_when) <= FACTS
    for subject_kind in ("cylinder", "plate", ""):
        if subject_kind in kind.responses or "" in kind.responses:
            made = condition(
                catalogue(), name, ConditionSubject("x", "z", "s", subject_kind), Tuning(off_delay_s=0.0)
            )
            assert made.on_delay_s + made.off_delay_s >= MIN_CYCLE_S


def test_the_dead_band_lies_on_the_safe_side() -> None:
    for name in KINDS:
        subject = ConditionSubject("x", "z", "s", "plate")
        made = condition(catalogue(), name, subject)
        safer = -1.0 if made.direction is Direction.ABOVE else 1.0
        assert made.clear(made.limit + safer * made.dead_band)
        assert not made.beyond(made.limit + safer * made.dead_band)


@pytest.mark.parametrize(
    ("name", "priority"),
    [
        ("body_wet", Priority.HIGH),
        ("package_exposure_over", Priority.HIGH),
        ("storage_below_minimum", Priority.HIGH),
        ("warnings_undeliverable", Priority.HIGH),
        ("body_margin_low", Priority.MEDIUM),
        ("humid_shift_ahead", Priority.MEDIUM),
        ("zone_unwatched", Priority.MEDIUM),
        ("record_contradicted", Priority.MEDIUM),
        ("zone_humidity_high", Priority.LOW),
        ("sensor_health", Priority.LOW),
    ],
)
def test_priority_follows_from_consequence_and_time_to_respond(name: str, priority: Priority) -> None:
    assert KINDS[name].priority is priority


def test_no_advice_ever_warms_a_cylinder() -> None:
    """OSHA 1910.253 as mirrored by WAC 296-24-68203, and every handling sheet: no flame, no heater."""
    warming = re.compile(r"\b(heat|warm|torch|flame|dry it with)\w*", re.IGNORECASE)
    for name, response in catalogue().responses.items():
        for text in (response.short, response.full):
            for sentence in re.split(r"[.;:]", text):
                if not re.search(r"cylinder|regulator|\bit\b", sentence):
                    continue
                for found in warming.finditer(sentence):
                    context = sentence.strip()
                    safe = re.search(r"[Nn]ever (warm|heat)|warms? by (it|them)sel|unvented", context)
                    plate = "plate" in name or "joint" in context or "evenly" in context
                    assert safe or plate, f"{name}: {found.group()} in {context!r}"


def test_every_fault_in_a_catalogue_is_named_at_once() -> None:
    data = {
        "priority": {"severe": {"prompt": "urgent"}},
        "families": {"f": {"title": "F", "says": "f", "response": "nobody"}},
        "responses": {"r": {"short": "do"}},
        "kinds": {"k": {"family": "g", "direction": "sideways", "limit": {"value": "x"}}},
        "grouping": {},
    }
    with pytest.raises(InputError) as error:
        catalogue_from(data)
    fields = {fault.field for fault in error.value.faults}
    assert {
        "families.f.response",
        "responses.r.full",
        "kinds.k.family",
        "kinds.k.direction",
        "kinds.k.limit",
        "kinds.k.response",
        "kinds.k: priority",
        "grouping.rising_s",
        "grouping.gather_s.high",
    } <= fields


def test_an_alarm_without_a_response_is_none() -> None:
    """ISA-18.2:2009, as reported by Chemical Processing: an alarm signals a need for a response."""
    broken = {**DATA, "kinds": {"body_wet": {**DATA["kinds"]["body_wet"], "response": {}}}}
    with pytest.raises(InputError, match="an alarm without a response is none"):
        catalogue_from(broken)
