"""What the pages say of packages, bodies and beads, in words a lead uses."""

from dataclasses import replace

from monitor.history.rack import Thing
from monitor.model.level import Level
from monitor.web.frame.now_view import hours_words, package_words, rack_word
from monitor.web.frame.show import Show
from tests.web import sample

NBSP = "\N{NO-BREAK SPACE}"
SHOW = Show(sample.settings())
WIRE = replace(
    sample.wet_morning().packages[0],
    used_h=56.1, limit_h=72.0, unknown_h=55.9, rule="AWS D1.8", verdict="usable", level=Level.SAFE,
)  # fmt: skip


def test_hours_say_whose_limit_it_is_and_what_nobody_measured() -> None:
    said = hours_words(WIRE, SHOW).replace(NBSP, " ")
    assert said == "56.1 of 72 h (AWS D1.8). 55.9 h of it without a sensor, counted in full."
    assert hours_words(replace(WIRE, unknown_h=0.0, limit_h=None), SHOW) == "56.1 h open."
    # just below and just above the limit are never told as the limit itself
    assert hours_words(replace(WIRE, used_h=71.9, unknown_h=0.0), SHOW).startswith("71.9 of 72 h")


def test_a_package_over_its_hours_is_told_by_how_many_they_were() -> None:
    assert package_words(replace(WIRE, used_h=72.5, verdict="over")) == "72 h used up"


def test_the_rack_says_one_word_and_the_place_and_calls_nothing_usable_that_is_not_known() -> None:
    thing = Thing("w", "package", "Wire W", "fcaw-folded-h8", "kiosk", "open air")
    assert rack_word(replace(thing, judged=WIRE)) == "Usable"
    assert rack_word(replace(thing, judged=replace(WIRE, level=Level.UNKNOWN))) == "Not known"
    withdrawn = replace(WIRE, level=Level.DANGER, verdict="withdraw")
    assert rack_word(replace(thing, judged=withdrawn)) == "Withdraw"
    assert rack_word(thing) == "not judged yet"
