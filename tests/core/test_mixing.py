"""The fast mixing of a zone's air against a plain writing of it, over random and unruly sensors."""

from hypothesis import given
from hypothesis import strategies as st

from monitor.core.mixing import Mixing, assumed, forget, hear
from monitor.core.zone_air import ZoneAir
from monitor.model.reading import Quantity, Reading, SeriesKey
from tests.core.plain_mix import plain_hear, plain_mix

START_S = 1_760_000_000.0
JUDGED_TO_C = 60.0
QUANTITIES = (
    Quantity.AIR_TEMPERATURE,
    Quantity.RELATIVE_HUMIDITY,
    Quantity.BATTERY,
)
HALVES = st.lists(
    st.tuples(
        st.integers(0, 3),  # the sensor
        st.sampled_from(("both", "both", "both", *QUANTITIES)),
        st.sampled_from((0.0, 0.0, 1.0, 30.0, 90.0, 91.0, 1_000.0, -20.0)),  # since the one before
        st.sampled_from((-40.0, 3.2, 17.0, 17.5, 59.9, 61.0, 380.0)) | st.floats(-30.0, 58.0),
        st.sampled_from((0.0, 0.001, 0.5, 0.5, 1.0, 1.04)) | st.floats(0.0, 1.05),
    ),
    max_size=40,
)
CUTS = st.lists(st.integers(1, 7), min_size=1, max_size=12)


def told(halves: list[tuple[int, str, float, float, float]]) -> list[Reading]:
    readings, now_s = [], START_S
    for sensor, what, later_s, warm, damp in halves:
        now_s += later_s
        for quantity, value in zip(QUANTITIES, (warm, damp, 0.5), strict=True):
            both = what == "both" and quantity is not Quantity.BATTERY
            if both or quantity == what:
                key = SeriesKey("slip-bay", f"bay-{sensor}", quantity)
                readings.append(Reading(key, now_s, now_s, value))
    return readings


def values(air: ZoneAir) -> tuple[object, ...]:
    """All that was heard and mixed; a vapour that is remembered is no other air."""
    return {name: one[:4] for name, one in air.heard.items()}, air.samples, air.last


@given(HALVES, CUTS, st.sampled_from((45.0, 90.0, 900.0)))
def test_mixing_a_moment_once_gives_the_air_that_mixing_at_every_reading_gives(
    halves: list[tuple[int, str, float, float, float]], cuts: list[int], fresh_s: float
) -> None:
    readings, fast, plain = told(halves), ZoneAir(), ZoneAir()
    place, turn, known = 0, 0, None
    while place < len(readings):
        some = readings[place : place + cuts[turn % len(cuts)]]
        place, turn = place + len(some), turn + 1
        mixing, plain = (
            Mixing(fast, fresh_s, JUDGED_TO_C, known),
            plain_hear(plain, some, fresh_s, JUDGED_TO_C),
        )
        mixing.take(some)
        fast, known = mixing.air(), mixing.against
        assert values(fast) == values(plain)
        if turn % 3 == 0:
            fast, plain = (forget(air, "bay-1", fresh_s, JUDGED_TO_C) for air in (fast, plain))
            assert values(fast) == values(plain)


@given(HALVES, st.floats(0.0, 2_000.0))
def test_a_remembered_vapour_is_that_of_the_values_beside_it(
    halves: list[tuple[int, str, float, float, float]], later_s: float
) -> None:
    air, readings = ZoneAir(), told(halves)
    for reading in readings:
        air = hear(air, [reading], 900.0, JUDGED_TO_C)
    now_s = (readings[-1].time_s if readings else START_S) + later_s
    mixed = assumed(air.heard, now_s, 900.0, JUDGED_TO_C)
    assert mixed == plain_mix(list(air.heard.values()), now_s, 900.0, JUDGED_TO_C)


def test_air_drier_than_can_be_told_is_no_warmer_than_the_warmest_of_its_sensors() -> None:
    readings = told([(0, "both", 1.0, 20.0, 0.0), (1, "both", 0.0, 18.0, 1e-7)])
    last = hear(ZoneAir(), readings, 900.0, JUDGED_TO_C).last
    assert last is not None
    assert abs(last.temperature_c - 20.0) < 1e-4
    assert last.relative_humidity_frac == 1e-7
