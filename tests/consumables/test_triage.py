"""The ranking of causes: Bayes' rule redone by hand, and stories every shop lead knows."""

import copy
import itertools
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.beads.causes import CauseModel, cause_model
from monitor.beads.triage import Moisture, Triage, TriageFacts, triage
from monitor.model.errors import InputError


@pytest.fixture(scope="module")
def model(shared_toml: Callable[[str], dict[str, Any]]) -> CauseModel:
    return cause_model(shared_toml("causes.toml"))


HUMID_SEASON = TriageFacts(
    dew_point_c=21.0,
    used_frac=1.4,
    steel_margin_k=8.0,
    cylinder_margin_k=7.0,
    idle_days=60.0,
    answers={
        "pattern": "tracks under the slag",
        "stick-out": "right",
        "gas-flow": "right",
        "surface": "clean",
    },
)


def chances(found: Triage) -> dict[str, float]:
    return {cause.id: cause.chance for cause in found.causes}


def test_nothing_known_gives_the_priors(model: CauseModel) -> None:
    found = triage(TriageFacts(), model)
    for name, chance in chances(found).items():
        assert chance == pytest.approx(model.causes[name].prior)
    assert len(found.not_known) == len(model.findings)


def test_the_chances_are_bayes_rule_done_by_hand(model: CauseModel) -> None:
    # Bayes 1763: posterior goes as prior times chance of the finding; here to the stated damping exponent
    found = chances(triage(TriageFacts(dew_point_c=21.0, answers={"stick-out": "long"}), model))
    humid = {"damp-wire": 0.50, "wet-gas": 0.40, "humid-air": 0.80, "wet-work": 0.65}
    weight = {
        name: cause.prior
        * (humid.get(name, 0.30) * (0.55 if name == "stick-out" else 0.15)) ** model.judgement.damping
        for name, cause in model.causes.items()
    }
    total = sum(weight.values())
    for name, chance in found.items():
        assert chance == pytest.approx(weight[name] / total, rel=1e-12)


# Stories from the trade's rules of thumb (common practice)
@pytest.mark.parametrize(
    ("facts", "first", "moisture"),
    [
        # a flux-cored machine idle through a humid season: worm tracks under the slag
        (HUMID_SEASON, "damp-wire", Moisture.LIKELY),
        # porosity in the first metre on Mondays, gone by coffee: the hose
        (
            TriageFacts(idle_days=3.0, answers={"pattern": "at the start", "gas-flow": "right"}),
            "wet-gas",
            None,
        ),
        # cold plate through the door at 7 a.m. sweated until 10
        (
            TriageFacts(19.0, 0.1, steel_margin_k=-1.0, answers={"surface": "wet"}),
            "wet-work",
            Moisture.LIKELY,
        ),
        # half of "humidity" porosity is a fan or a loose fitting
        (
            TriageFacts(4.0, 0.1, steel_margin_k=9.0, idle_days=0.0, answers={"gas-flow": "doubtful"}),
            "shielding",
            Moisture.UNLIKELY,
        ),
        # before blaming damp: oil, rust, paint
        (
            TriageFacts(4.0, 0.1, idle_days=0.0, answers={"surface": "dirty", "gas-flow": "right"}),
            "dirty-work",
            Moisture.UNLIKELY,
        ),
        # before blaming damp: stick-out, voltage
        (
            TriageFacts(
                6.0,
                0.1,
                idle_days=0.0,
                answers={"stick-out": "long", "gas-flow": "right", "surface": "clean"},
            ),
            "stick-out",
            Moisture.UNLIKELY,
        ),
    ],
)
def test_known_stories_come_out_as_the_trade_tells_them(
    model: CauseModel, facts: TriageFacts, first: str, moisture: Moisture | None
) -> None:
    found = triage(facts, model)
    assert found.causes[0].id == first
    assert moisture is None or found.moisture is moisture


def test_every_cause_carries_the_evidence_for_and_against_it(model: CauseModel) -> None:
    damp = triage(HUMID_SEASON, model).causes[0]
    told = [one.text for one in damp.evidence]
    assert any("History of the package: over (speaks for it" in text for text in told)
    assert any("Where the pores lie: tracks under the slag" in text for text in told)
    factors = [abs(math.log(one.factor)) for one in damp.evidence]
    assert factors == sorted(factors, reverse=True)


def test_any_two_causes_can_be_told_apart_by_some_test(model: CauseModel) -> None:
    named = [name for name in model.causes if name != "other"]
    for one, other in itertools.combinations(named, 2):
        best = max(abs(test.clears[one] - test.clears[other]) for test in model.tests.values())
        assert best >= model.judgement.separates_from, (one, other)


def test_the_next_test_is_the_cheapest_that_separates_the_top_two(model: CauseModel) -> None:
    facts = TriageFacts(20.0, 1.2, idle_days=0.0, answers={"stick-out": "long", "gas-flow": "right"})
    found = triage(facts, model)
    assert {found.causes[0].id, found.causes[1].id} == {"stick-out", "damp-wire"}
    assert found.next_test is not None
    assert found.next_test.id == "set-stick-out"
    gap = {test.id: abs(test.clears["stick-out"] - test.clears["damp-wire"]) for test in model.tests.values()}
    cheaper = [t for t in model.tests.values() if t.minutes < found.next_test.minutes]
    assert all(gap[t.id] < model.judgement.separates_from for t in cheaper)


def test_a_test_done_is_evidence_and_is_not_proposed_again(model: CauseModel) -> None:
    before = triage(HUMID_SEASON, model)
    assert before.next_test is not None
    sound = triage(replace(HUMID_SEASON, tests={"swap-spool": True}), model)
    porous = triage(replace(HUMID_SEASON, tests={"swap-spool": False, "run-off": False}), model)
    assert chances(sound)["damp-wire"] > chances(before)["damp-wire"] > chances(porous)["damp-wire"]
    assert porous.next_test is None or porous.next_test.id not in {"swap-spool", "run-off"}
    assert any("still porous after it" in one.text for one in porous.causes[0].evidence)


def test_enough_failed_moisture_tests_end_in_not_moisture(model: CauseModel) -> None:
    tests = dict.fromkeys(
        ("swap-spool", "run-off", "purge", "swap-cylinder", "dry-joint", "other-place"), False
    )
    found = triage(TriageFacts(dew_point_c=20.0, tests=tests), model)
    assert found.moisture is Moisture.UNLIKELY
    assert found.text.startswith("Probably not moisture.")


def test_no_text_ever_sends_heat_to_a_cylinder(model: CauseModel) -> None:
    # cylinder safety rules (WAC 296-24-68203, LSU manual): never a flame, heat gun or heater on a cylinder
    texts = [cause.remedy for cause in model.causes.values()] + [test.title for test in model.tests.values()]
    for text in texts:
        if "cylinder" in text.lower() and ("heat" in text.lower() or "torch" in text.lower()):
            assert "never" in text.lower(), text


@pytest.mark.parametrize(
    ("facts", "told"),
    [
        (TriageFacts(answers={"stick-out": "longish"}), "answer stick-out: found longish; use one of: right"),
        (TriageFacts(answers={"mood": "bad"}), "answer: found mood; use one of: air"),
        (TriageFacts(tests={"kick-it": True}), "test: found kick-it; use one of: set-stick-out"),
    ],
)
def test_answers_the_model_does_not_know_are_refused(
    model: CauseModel, facts: TriageFacts, told: str
) -> None:
    with pytest.raises(InputError, match=told):
        triage(facts, model)


def test_all_faults_of_a_causes_file_are_told(shared_toml: Callable[[str], dict[str, Any]]) -> None:
    data = copy.deepcopy(shared_toml("causes.toml"))
    data["cause"][0]["prior"] = 0.5
    data["finding"][0]["else"] = [0.5, 0.5]
    data["finding"][1]["chance"]["damp-wire"] = [0.0, 0.5, 0.5]
    data["finding"][2]["chance"]["gremlins"] = [0.2, 0.3, 0.5]
    data["test"][0]["clears"]["stick-out"] = 1.5
    with pytest.raises(InputError) as raised:
        cause_model(data)
    told = str(raised.value)
    for part in (
        "the priors sum to 1.28",
        "write 3 chances that sum to 1",
        "chance.damp-wire: found [0.0, 0.5, 0.5]",
        "gremlins",
        "clears.stick-out: found 1.5",
    ):
        assert part in told


FACTS = st.builds(
    TriageFacts,
    st.none() | st.floats(-10, 30),
    st.none() | st.floats(0, 3),
    st.none() | st.floats(0, 1.5),
    st.none() | st.floats(-5, 20),
    st.none() | st.floats(-5, 20),
    st.none() | st.booleans(),
    st.none() | st.floats(0, 100),
)


@given(FACTS)
def test_the_chances_always_sum_to_one_and_are_in_order(model: CauseModel, facts: TriageFacts) -> None:
    found = triage(facts, model)
    listed = [cause.chance for cause in found.causes]
    assert math.fsum(listed) == pytest.approx(1.0)
    assert listed == sorted(listed, reverse=True)
    assert 0.0 <= found.moisture_chance <= 1.0 + 1e-12


@given(FACTS, st.floats(0, 3), st.floats(0, 3))
def test_more_exposure_never_makes_damp_wire_less_likely(
    model: CauseModel, facts: TriageFacts, one: float, other: float
) -> None:
    less, more = sorted((one, other))
    fewer = chances(triage(replace(facts, used_frac=less), model))["damp-wire"]
    assert chances(triage(replace(facts, used_frac=more), model))["damp-wire"] >= fewer - 1e-12
