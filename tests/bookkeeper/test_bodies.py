"""Cylinders and steel come, move and go; their temperature follows the air they stood in since."""

import pytest

from monitor.history.entries import (
    CylinderChanged,
    CylinderConnected,
    CylinderDelivered,
    CylinderMoved,
    CylinderQuarantined,
    CylinderSpare,
    Entry,
    GaugeRead,
    PlateBroughtIn,
    PlateGone,
)
from monitor.model.picture import BodyNow
from tests.bookkeeper.yard import HOUR, START_S, Yard

PLATE = PlateBroughtIn("Keel 12 mm", "slip-bay", 0.012)


def body(yard: Yard, name: str) -> BodyNow | None:
    return next((one for one in yard.loop.snapshot().bodies if one.id == name), None)


def skin(yard: Yard, name: str) -> float:
    now = body(yard, name)
    assert now is not None
    assert now.skin_temperature_c is not None
    return now.skin_temperature_c


def test_a_plate_brought_in_cold_starts_at_the_outdoor_air_and_warms(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("keel", PLATE)
    yard.run_to(START_S + 900)
    assert 5.0 <= skin(yard, "keel") < 8.5  # outdoors it is 5 °C
    yard.run_to(START_S + 600 + 3 * HOUR)
    assert 16.0 < skin(yard, "keel") <= 18.1  # 12 mm: 38 to 63 minutes to 63 % (trade facts, thermal lag)


def test_brought_in_at_six_entered_at_nine_is_as_warm_as_three_hours_make_it(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("at-once", PLATE)
    yard.run_to(START_S + 600 + 1.5 * HOUR)
    yard.enter("too-late", PLATE, START_S + 600)
    yard.run_to(yard.fed_s + 240)
    assert skin(yard, "too-late") == pytest.approx(skin(yard, "at-once"), abs=0.15)


def test_steel_that_lay_in_the_yard_comes_in_as_cold_as_it_was_there(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("keel", PlateBroughtIn("Keel", "plate-yard", 0.012, start_temperature_c=-2.0))
    yard.run_to(START_S + 600 + 1.0 * HOUR)
    outside = skin(yard, "keel")
    assert -2.0 < outside < 6.0
    yard.enter("keel", PLATE)
    yard.run_to(yard.fed_s + 240)
    assert outside < skin(yard, "keel") < outside + 2.0  # four minutes of half an hour, 14 K from the air
    assert body(yard, "keel").zone == "slip-bay"  # type: ignore[union-attr]


def test_a_cylinder_goes_through_its_day(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("mix-7", CylinderDelivered("Mix 7", "argon-co2", "gas-cage", pressure_pa=2.0e7))
    yard.run_to(START_S + HOUR)
    cold = skin(yard, "mix-7")
    yard.enter("mix-7", CylinderMoved("panel-hall"))
    yard.enter("mix-7", CylinderConnected("Machine 2"))
    yard.enter("mix-7", GaugeRead(1.2e6))
    yard.run_to(START_S + 3 * HOUR)
    assert skin(yard, "mix-7") > cold + 4.0
    history = yard.keeper.body("mix-7")
    assert history is not None
    assert (history.zone, history.machine, history.pressure_pa) == ("panel-hall", "Machine 2", 1.2e6)
    gone = yard.enter("mix-7", CylinderChanged())
    assert body(yard, "mix-7") is None
    yard.correct(gone, void=True)
    assert body(yard, "mix-7") is not None


@pytest.mark.parametrize(
    ("entries", "used"),
    [
        ((), False),  # delivered into the cage: its cap is on
        ((CylinderMoved("panel-hall"),), True),
        ((CylinderConnected("Machine 2"),), True),  # by a pipe from the cage
        ((CylinderMoved("panel-hall"), CylinderSpare()), False),
        ((CylinderSpare(), CylinderMoved("panel-hall")), True),
        ((CylinderQuarantined(), CylinderMoved("panel-hall")), False),
        ((CylinderQuarantined(), CylinderConnected("Machine 2")), True),
    ],
)
def test_a_shift_uses_a_cylinder_as_people_entered_it(
    yard: Yard, entries: tuple[Entry, ...], used: bool
) -> None:
    yard.run_to(START_S + 600)
    yard.enter("mix-7", CylinderDelivered("Mix 7", "argon-co2", "gas-cage"))
    for n, entry in enumerate(entries, 1):
        yard.run_to(START_S + 600 + n * 60)
        yard.enter("mix-7", entry)
    assert yard.loop.shop.bodies["mix-7"].used is used
    yard.restart()
    assert yard.loop.shop.bodies["mix-7"].used is used


def test_bodies_are_as_warm_after_a_power_cut_as_before(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("keel", PLATE)
    yard.enter("mix-7", CylinderDelivered("Mix 7", "co2", "gas-cage"))
    yard.run_to(START_S + HOUR)
    yard.enter("mix-7", CylinderMoved("panel-hall"))
    yard.run_to(START_S + 1.4 * HOUR)
    before = {name: skin(yard, name) for name in ("keel", "mix-7", "mix-1")}
    for clean in (True, False):
        yard.restart(clean=clean)
        yard.run_to(yard.fed_s + 120)
        after = {name: skin(yard, name) for name in before}
        assert after == pytest.approx(before, abs=0.6)
    assert body(yard, "mix-7").zone == "panel-hall"  # type: ignore[union-attr]


def test_a_declared_cylinder_can_be_moved_and_comes_back_after_a_restart_where_it_stands(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("mix-1", CylinderMoved("panel-hall"))
    yard.restart()
    assert body(yard, "mix-1").zone == "panel-hall"  # type: ignore[union-attr]


def test_a_thing_that_never_came_is_gone_from_the_picture_and_the_loop_goes_on(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    came = yard.enter("keel", PLATE)
    yard.run_to(START_S + 1200)
    yard.correct(came, void=True)
    assert body(yard, "keel") is None
    yard.run_to(START_S + 2400)
    assert "keel" not in yard.loop.state.bodies
    with pytest.raises(Exception, match="it was not there then"):
        yard.enter("keel", PlateGone())


def test_names_of_new_things_are_known_to_the_warnings(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("keel", PLATE)
    assert yard.loop.shop.wordings["ferrymoor"].name("keel") == "Keel 12 mm"
