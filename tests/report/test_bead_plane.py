"""Beads on open hours and dew point: each where it was measured, the lines where the fit puts them."""

import math

import numpy as np
import pytest

from monitor.beads.evidence import bead_evidence, evidence_rules
from monitor.history.bead_records import BeadMade
from monitor.history.entries import Seen
from monitor.report.bead_plane import BeadPlane, bead_plane, plane_svg
from monitor.report.sheet import Writing
from monitor.settings.reference import load_toml
from tests.web.sample_shop import TZ

RULES = evidence_rules(load_toml("evidence.toml"))
HOUR_S = 3_600.0


def beads(count: int = 120) -> list[BeadMade]:
    """Porous by a known chance of hours and dew point, drawn with a fixed seed."""
    draw = np.random.default_rng(4)
    found = []
    for n in range(count):
        hours, dew = float(draw.uniform(0, 90)), float(draw.uniform(2, 20))
        chance = 1.0 / (1.0 + math.exp(9.0 - 0.12 * hours - 0.2 * dew))
        seen = Seen(open_s=hours * HOUR_S, dew_point_c=dew)
        package = f"spool-{n % 4}"
        found.append(BeadMade(f"bead-{n}", package, 0.0, bool(draw.random() >= chance), "", seen))
    return found


def drawn(writing: Writing) -> tuple[list[BeadMade], BeadPlane]:
    made = beads()
    found = bead_evidence([one.point for one in made if one.point is not None], 12.0, RULES)
    return made, bead_plane(made, lambda one: one.package == "spool-1", found, RULES, writing)


@pytest.mark.parametrize("fahrenheit", [False, True], ids=["C", "F"])
def test_each_line_holds_the_chance_it_names(fahrenheit: bool) -> None:
    writing = Writing(TZ, fahrenheit)
    made, plane = drawn(writing)
    fit = bead_evidence([one.point for one in made if one.point is not None], 12.0, RULES).fit
    assert fit is not None
    assert [words for words, _, _ in plane.lines] == [f"{RULES.tolerated_frac:.0%}", "50%"]
    for (_, *ends), chance in zip(plane.lines, (RULES.tolerated_frac, 0.5), strict=True):
        for right, down in ends:
            hours = plane.hour_ends[0] + right * (plane.hour_ends[1] - plane.hour_ends[0])
            dew = plane.dew_ends[1] - down * (plane.dew_ends[1] - plane.dew_ends[0])
            dew_c = (dew - 32.0) / 1.8 if fahrenheit else dew
            assert fit.chance(np.array([hours]), dew_c)[0][0] == pytest.approx(chance, abs=1e-6)
            assert 0.0 <= right <= 1.0
            assert 0.0 <= down <= 1.0


def test_every_bead_lies_where_it_was_welded_and_its_own_are_told_apart() -> None:
    made, plane = drawn(Writing(TZ))
    for bead, mark in zip(made, plane.marks, strict=True):
        assert bead.point is not None
        hours = plane.hour_ends[0] + mark.right * (plane.hour_ends[1] - plane.hour_ends[0])
        assert hours == pytest.approx(bead.point.open_s / HOUR_S)
        assert mark.down == pytest.approx(plane.down(bead.point.dew_point_c))
        assert mark.sound == bead.sound
        assert mark.own == (bead.package == "spool-1")


def test_too_few_beads_draw_no_line() -> None:
    made = beads(6)
    found = bead_evidence([one.point for one in made if one.point is not None], 12.0, RULES)
    plane = bead_plane(made, lambda _: True, found, RULES, Writing(TZ))
    assert plane.lines == ()
    assert len(plane.marks) == 6


def test_on_paper_every_bead_is_a_sign_and_nothing_needs_a_style_sheet() -> None:
    _, plane = drawn(Writing(TZ))
    svg = plane_svg(plane, Writing(TZ))
    signs = svg.count("<circle") + svg.count("<path")
    assert signs == len(plane.marks)
    assert "class=" not in svg
    assert f">{RULES.tolerated_frac:.0%}<" in svg
