"""Test beads: judged when they are entered, linked, with what was measured then; evidence and triage.

Limits: AWS D1.1/D1.1M:2015 Table 6.1 (8), static: pores of 1 mm and more, sum not over 10 mm in any 25 mm
and 20 mm in any 300 mm (as quoted in `shared/bead_acceptance.toml` with its provenance).
"""

from dataclasses import replace

import pytest

from monitor.beads.acceptance import Pore
from monitor.beads.acceptance_rules import PoreKind, Weld
from monitor.beads.causes import cause_model
from monitor.beads.evidence import EvidenceState, bead_evidence, evidence_rules
from monitor.beads.triage import Moisture, triage
from monitor.history.bead_questions import quick_questions, triage_facts
from monitor.history.bead_records import bead_points, beads_made, is_sound, pattern_of
from monitor.history.entries import BeadWelded, Opened, PlateBroughtIn, TestBead, Withdrawn, body_of, entry_of
from monitor.model.errors import InputError
from monitor.model.event import Event, EventKind, NewEvent
from monitor.settings.reference import load_toml
from tests.bookkeeper.yard import HOUR, LEAD, START_S, Yard

SPOOL = Opened("Spool 9", "fcaw-folded-h8", "slip-bay")
PORES = tuple(Pore(0.003, 0.100 + 0.006 * n) for n in range(4))  # 12 mm in 18 mm of bead


def bead(*pores: Pore, **more: str) -> BeadWelded:
    return BeadWelded("d11-static", Weld.FILLET, 0.30, 0.010, pores, 0.006, **more)  # type: ignore[arg-type]


def recorded(event: Event) -> BeadWelded:
    entry = entry_of(event.kind, event.body)
    assert isinstance(entry, BeadWelded)
    return entry


@pytest.fixture
def at_work(yard: Yard) -> Yard:
    """A spool open for two hours in the damp bay, a plate beside it."""
    yard.run_to(START_S + 600)
    yard.enter("spool-9", SPOOL)
    yard.enter("keel", PlateBroughtIn("Keel", "slip-bay", 0.012, start_temperature_c=17.0))
    yard.run_to(START_S + 600 + 2 * HOUR)
    return yard


def test_a_bead_is_judged_by_the_rules_and_keeps_clause_edition_and_source(at_work: Yard) -> None:
    event = at_work.enter("bead-1", bead(*PORES, package="spool-9"))
    entry = recorded(event)
    assert entry.outcome == "rejectable"
    assert (entry.code, entry.edition) == ("AWS D1.1/D1.1M", "2015")
    assert "Table 6.1 (8)" in entry.clause
    worst = next(count for count in entry.counts if count.rule == "sum-25")
    assert (worst.found, worst.limit, worst.passed) == (12.0, 10.0, False)
    assert "3/8 in (10 mm)" in worst.source
    assert "inspector decides" in entry.text


def test_with_a_bead_are_kept_the_dew_point_and_the_clock_of_that_moment(at_work: Yard) -> None:
    entry = recorded(at_work.enter("bead-1", bead(package="spool-9", cylinder="mix-1", plate="keel")))
    seen = entry.seen
    assert seen is not None
    assert seen.zone == "slip-bay"
    assert seen.dew_point_c == pytest.approx(15.45, abs=0.1)  # 18 °C, 85 %RH (Hyland and Wexler)
    assert seen.open_s == pytest.approx(2 * HOUR, abs=1)
    assert seen.used_frac == pytest.approx(2 / 72, abs=1e-4)  # of the 72 h of AWS D1.8
    assert seen.standing == "usable"
    assert seen.plate_margin_k == pytest.approx(17.5 - 15.5, abs=1.0)
    assert seen.cylinder_margin_k is not None


def test_a_verdict_sent_along_is_not_taken_over(at_work: Yard) -> None:
    body = body_of(bead(*PORES, package="spool-9")) | {
        "outcome": "cosmetic",
        "text": "fine",
        "counts": [{"rule": 1}],
    }
    event = NewEvent(EventKind.BEAD, "bead-1", at_work.fed_s, LEAD, body, key="b")
    assert recorded(at_work.keeper.record(event, at_work.fed_s)).outcome == "rejectable"


def test_a_rejected_bead_bars_its_package_and_a_sound_one_frees_it(at_work: Yard) -> None:
    at_work.enter("bead-1", bead(*PORES, package="spool-9"))
    assert at_work.package("spool-9").verdict == "over"
    assert "test bead" in at_work.package("spool-9").rule
    at_work.enter("bead-2", bead(Pore(0.0005, 0.1), package="spool-9"))
    assert at_work.package("spool-9").verdict == "usable"


def test_a_bead_that_was_not_judged_frees_no_package_and_is_no_evidence(at_work: Yard) -> None:
    """D1.1's visual table says nothing of pores inside, and nothing of a bead nobody looked at."""
    at_work.enter("bead-1", bead(*PORES, package="spool-9"))
    inside = Pore(0.004, 0.1, kind=PoreKind.INTERNAL)
    for name, one in (("bead-2", bead(inside, package="spool-9")), ("bead-3", bead(package="spool-9"))):
        assert recorded(at_work.enter(name, one)).outcome == "not judged"
        assert at_work.package("spool-9").verdict == "over"
    made = {one.id: one for one in beads_made(told(at_work))}
    assert made["bead-2"].sound is None
    assert len(bead_points(made.values())) == 1
    sound = at_work.enter("bead-4", replace(bead(package="spool-9"), none_seen=True))
    assert at_work.package("spool-9").verdict == "usable"
    at_work.correct(sound, body=body_of(bead(inside, package="spool-9")))
    assert at_work.package("spool-9").verdict == "over"


def test_an_older_record_whose_rules_left_pores_out_is_no_evidence() -> None:
    entry = replace(bead(), outcome="cosmetic", notes=("Not judged by these rules: internal pores.",))
    assert is_sound(entry) is None


def test_the_page_that_also_tells_the_package_of_its_bead_changes_nothing(at_work: Yard) -> None:
    at_work.enter("bead-1", bead(*PORES, package="spool-9"))
    head = at_work.ledger.head()
    at_work.enter("spool-9", TestBead(sound=False, bead="bead-1"))
    assert at_work.ledger.head() == head


def test_the_same_post_twice_is_one_bead(at_work: Yard) -> None:
    first = at_work.enter("bead-1", bead(package="spool-9"), key="k")
    assert at_work.enter("bead-1", bead(*PORES, package="spool-9"), key="k") == first
    assert len(at_work.ledger.events(kinds=[EventKind.BEAD])) == 1
    with pytest.raises(InputError, match="is recorded already"):
        at_work.enter("bead-1", bead(), key="k2")


def test_taking_a_bead_back_takes_it_from_its_package_too(at_work: Yard) -> None:
    event = at_work.enter("bead-1", bead(*PORES, package="spool-9"))
    at_work.correct(event, void=True)
    assert at_work.package("spool-9").verdict == "usable"
    at_work.correct(event, void=False)
    assert at_work.package("spool-9").verdict == "over"


def test_a_corrected_bead_is_judged_anew_at_its_own_moment(at_work: Yard) -> None:
    event = at_work.enter("bead-1", bead(*PORES, package="spool-9"))
    at_work.correct(event, body=body_of(bead(*PORES[:1], package="spool-9")), time_s=event.time_s - HOUR)
    assert at_work.package("spool-9").verdict == "usable"
    made = beads_made(told(at_work))
    assert [(one.id, one.outcome, one.package) for one in made] == [("bead-1", "acceptable", "spool-9")]
    assert made[0].seen is not None
    assert made[0].seen.open_s == pytest.approx(HOUR, abs=1)
    with pytest.raises(InputError, match="cannot be changed by a correction"):
        at_work.correct(event, body=body_of(bead(package="")))


def test_a_bead_of_a_withdrawn_package_is_refused_whole(at_work: Yard) -> None:
    at_work.enter("spool-9", Withdrawn())
    head = at_work.ledger.head()
    with pytest.raises(InputError, match="nothing follows that"):
        at_work.enter("bead-1", bead(package="spool-9"))
    assert at_work.ledger.head() == head


def told(yard: Yard) -> list[Event]:
    kinds = [EventKind.PACKAGE, EventKind.BEAD, EventKind.CORRECTION]
    return yard.ledger.events(kinds=kinds)


def test_beads_become_evidence_and_too_few_say_so(at_work: Yard) -> None:
    at_work.enter("bead-1", bead(*PORES, package="spool-9"))
    at_work.enter("spool-9", TestBead(sound=True))
    at_work.enter("bead-2", bead())  # of no package: no hours, so no point
    points = bead_points(beads_made(told(at_work)))
    assert [point.sound for point in points] == [False, True]
    assert all(point.open_s == pytest.approx(2 * HOUR, abs=1) for point in points)
    assert all(point.dew_point_c == pytest.approx(15.45, abs=0.1) for point in points)
    assert (
        bead_evidence(points, 15.0, evidence_rules(load_toml("evidence.toml"))).state is EvidenceState.TOO_FEW
    )
    assert bead_points(beads_made(told(at_work)), packages={"spool-8"}) == []


def test_triage_takes_what_was_measured_and_what_the_lead_answers(at_work: Yard) -> None:
    model = cause_model(load_toml("causes.toml"))
    assert [q.id for q in quick_questions(model)] == ["stick-out", "cleaner", "gas-flow", "surface"]
    seen = at_work.keeper.checks.observer.seen(
        at_work.fed_s, package="spool-9", plate="keel", cylinder="mix-1"
    )
    dry = {"stick-out": "long", "cleaner": "yes", "gas-flow": "doubtful", "surface": "clean"}
    facts = triage_facts(seen, dry, model.thresholds, bead(*PORES), cylinder_pressure_pa=8e6)
    assert facts.dew_point_c == seen.dew_point_c
    assert facts.used_frac == pytest.approx(2 / 72, abs=1e-4)
    assert facts.cylinder_low is False
    found = triage(replace(facts, idle_days=0.0), model)
    assert found.moisture is Moisture.UNLIKELY
    assert {found.causes[0].id, found.causes[1].id} == {"shielding", "stick-out"}
    assert found.next_test is not None
    low = triage_facts(seen, dry, model.thresholds, cylinder_pressure_pa=5e5)
    assert low.cylinder_low is True


@pytest.mark.parametrize(
    ("pores", "words"),
    [
        ((), None),
        ((Pore(0.001),), None),
        ((Pore(0.001, 0.2, 0.012, kind=PoreKind.WORMHOLE),), "tracks under the slag"),
        ((Pore(0.001, 0.01), Pore(0.001, 0.03)), "at the start"),
        (tuple(Pore(0.001, 0.05 * n) for n in range(1, 6)), "scattered"),
        (tuple(Pore(0.001, 0.055 * n) for n in range(6)), "all along"),
    ],
)
def test_where_the_pores_lie_is_read_from_the_sketch(pores: tuple[Pore, ...], words: str | None) -> None:
    limits = cause_model(load_toml("causes.toml")).thresholds
    assert pattern_of(bead(*pores), limits) == words
