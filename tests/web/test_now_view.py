"""The first page's answer: the worst counts, and what is not known never shows as safe."""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from monitor.model.level import Level
from monitor.model.picture import Picture, ShiftNow, not_judged
from monitor.web.frame import now_view
from tests.web import sample

WET = sample.wet_morning()
CALM = sample.calm()
WHY = "not judged for 10 min"


def test_a_wet_cylinder_comes_first_with_what_to_do() -> None:
    found = now_view.answer(WET, sample.NOW_S)
    assert (found.level, found.headline) == (Level.DANGER, "Wet now")
    first = found.lines[0]
    assert first.zone == "gas-cage"
    assert len(first.names) == 6
    assert "Never heat a cylinder" in first.action


def test_the_zone_of_wet_cylinders_is_not_told_twice() -> None:
    found = now_view.answer(WET, sample.NOW_S)
    assert [line for line in found.lines if line.kind == "zone" and line.zone == "gas-cage"] == []


def test_a_calm_shop_is_dry() -> None:
    found = now_view.answer(CALM, sample.NOW_S)
    assert (found.level, found.headline, found.lines) == (Level.SAFE, "All dry", ())


def test_a_humid_shift_ahead_is_told_while_it_is_dry() -> None:
    shifts = (replace(WET.shifts[0], start_s=sample.NOW_S + 20_000, end_s=sample.NOW_S + 50_000),)
    found = now_view.answer(replace(CALM, shifts=shifts, actions=WET.actions), sample.NOW_S)
    assert (found.level, found.headline) == (Level.CAUTION, "Humid shift ahead")
    assert found.lines[0].action == "Keep the Slip Bay door shut until 09:00."


def test_a_shift_that_is_far_off_is_not_told() -> None:
    far = ShiftNow("Day", "ferrymoor", sample.NOW_S + 3e5, sample.NOW_S + 4e5, Level.DANGER, 0.9, "wet")
    assert now_view.answer(replace(CALM, shifts=(far,)), sample.NOW_S).level is Level.SAFE


def test_outdoor_air_alone_worries_nobody() -> None:
    zones = tuple(replace(z, level=Level.DANGER) if z.kind == "outdoor" else z for z in CALM.zones)
    assert now_view.answer(replace(CALM, zones=zones), sample.NOW_S).level is Level.SAFE


def test_a_cold_oven_is_not_called_humid_and_says_what_to_do() -> None:
    oven = replace(
        CALM.zones[0], kind="oven", level=Level.DANGER, reason="below its minimum", action="Check the heater."
    )
    found = now_view.answer(replace(CALM, zones=(oven,), bodies=(), packages=()), sample.NOW_S)
    assert (found.headline, found.lines[0].action) == ("Not hot enough now", "Check the heater.")


def test_an_overdue_desiccant_is_not_called_humid_air() -> None:
    cabinet = replace(
        CALM.zones[0],
        level=Level.CAUTION,
        reason="desiccant due 3 days ago; dry enough: 12 %RH",
        action="Renew.",
    )
    found = now_view.answer(replace(CALM, zones=(cabinet,), bodies=(), packages=()), sample.NOW_S)
    assert found.headline == "Renew the desiccant"


def test_the_headline_of_an_overdue_package_says_no_more_than_its_action() -> None:
    over = replace(CALM.packages[0], level=Level.DANGER, verdict="over", used_h=73.0, limit_h=72.0)
    wire = replace(over, action="Keep it off seismic work. Run off the outer wraps, weld a test bead.")
    found = now_view.answer(replace(CALM, packages=(wire,)), sample.NOW_S)
    assert (found.headline, found.lines[0].state) == ("Prove it before use", "72 h used up")
    rods = replace(over, action="Do not weld with it. Ask the inspector, or withdraw it.")
    assert now_view.answer(replace(CALM, packages=(rods,)), sample.NOW_S).headline == "Do not weld with it"


def test_an_old_picture_is_not_safe() -> None:
    found = now_view.answer(not_judged(CALM, WHY), sample.NOW_S + 600)
    assert (found.level, found.headline) == (Level.UNKNOWN, "Not known now")
    assert found.old_since_s == CALM.time_s


def test_an_old_danger_is_not_known_any_more_and_its_words_stay() -> None:
    seen = not_judged(WET, WHY)
    found = now_view.answer(seen, sample.NOW_S + 600)
    assert found.level is Level.UNKNOWN
    assert {one.level for one in (*seen.zones, *seen.bodies, *seen.packages, *seen.shifts)} == {Level.UNKNOWN}
    was = next(body for body in WET.bodies if body.level is Level.DANGER)
    now = next(body for body in seen.bodies if body.id == was.id)
    assert (now.reason, now.action) == (f"{WHY}; was: {was.reason}", was.action)
    assert (now.margin_k, now.wet_probability_frac) == (None, None)


def test_an_empty_shop_is_not_safe() -> None:
    assert now_view.answer(Picture(sample.NOW_S), sample.NOW_S).level is Level.UNKNOWN


@given(st.data())
def test_nothing_unknown_ever_makes_a_safe_answer(data: st.DataObject) -> None:
    level = st.sampled_from(list(Level))
    zones = tuple(replace(z, level=data.draw(level)) for z in CALM.zones)
    bodies = tuple(replace(b, level=data.draw(level)) for b in CALM.bodies)
    packages = tuple(replace(p, level=data.draw(level)) for p in CALM.packages)
    found = now_view.answer(replace(CALM, zones=zones, bodies=bodies, packages=packages), sample.NOW_S)
    levels = [z.level for z in zones if z.kind != "outdoor"]
    levels += [thing.level for thing in (*bodies, *packages)]
    worst = min(levels, key=now_view.risk_rank)
    assert found.level is worst
