"""A shop whose bodies meet a tick's air in one step against one that follows them from sample to sample."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.step import Shop
from monitor.core.supposed import NOT_KNOWN, air_of, carried, course_of
from monitor.core.zone_air import Sample
from monitor.engine.build import build_shop
from monitor.physics import lag
from tests.bench.replay_bench import yard
from tests.core.test_quick_ticks import PER_ZONE, SENSORS, Spell, heard, judged

WITHIN_K = 0.005
WITHIN_GM2 = 0.05
# What the air does, for so many half minutes: cold nights, damp days, so that steel sweats, frosts and dries.
SPELLS = st.lists(
    st.tuples(
        st.integers(10, 120),
        st.sampled_from((-0.3, -0.05, 0.0, 0.05, 0.3)),
        st.sampled_from((-0.01, 0.0, 0.004, 0.01)),
        st.tuples(*[st.sampled_from(("speaks", "speaks", "speaks", "silent", "wild"))] * SENSORS),
    ),
    min_size=3,
    max_size=8,
)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    """Two halls with two sensors, a cylinder and a plate each."""
    return build_shop(yard(tmp_path_factory.mktemp("yard"), SENSORS, PER_ZONE, things=True))


@settings(max_examples=6)
@given(SPELLS)
def test_one_step_a_tick_raises_the_same_alarms_at_the_same_moments(shop: Shop, spells: list[Spell]) -> None:
    readings = list(heard(spells))
    events, known = judged(shop, readings)
    with pytest.MonkeyPatch.context() as slow:
        slow.setattr(lag, "calmly", lambda *_: None)
        slow_events, slow_known = judged(shop, readings)
    assert [(e.kind, e.subject, e.time_s) for e in events] == [
        (e.kind, e.subject, e.time_s) for e in slow_events
    ]
    assert known["since"] == slow_known["since"]
    assert known["figures"].keys() == slow_known["figures"].keys()
    for name, now in known["figures"].items():
        then = slow_known["figures"][name]
        assert now.margin_k == pytest.approx(then.margin_k, abs=WITHIN_K), name
        assert now.margin_std_k == pytest.approx(then.margin_std_k, abs=WITHIN_K), name
        assert now.film_gm2 == pytest.approx(then.film_gm2, abs=WITHIN_GM2), name
        assert (now.doubtful, now.wet_doubtful) == (then.doubtful, then.wet_doubtful), name


def test_the_steel_of_these_comparisons_does_become_wet(shop: Shop) -> None:
    ways = ("speaks",) * SENSORS
    events, known = judged(shop, list(heard([(120, -0.3, 0.0, ways), (120, 0.3, 0.01, ways)])))
    assert any(now.film_gm2 > 1.0 for now in known["figures"].values())
    assert any(event.subject.startswith("body_") for event in events)


def test_a_sample_earlier_than_the_one_before_it_is_passed_over_by_bodies(shop: Shop) -> None:
    """A zone's air may go back to an earlier moment when a sensor is left out of it."""
    (name, *_) = shop.bodies
    facts = shop.bodies[name]
    samples = [Sample(100.0, 18.0, 0.5), Sample(97.0, 18.0, 0.5), Sample(110.0, 18.0, 0.5)]
    told = carried(course_of(shop, facts, air_of(shop, facts.zone, samples)), NOT_KNOWN)
    rising = carried(course_of(shop, facts, air_of(shop, facts.zone, samples[::2])), NOT_KNOWN)
    assert told == rising
    assert told.state is not None
    assert told.state.time_s == 110.0
