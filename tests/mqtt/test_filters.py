"""Which topic filters are subscribed to: all that is needed, and no message twice."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from monitor.model.errors import InputError
from monitor.mqtt.topic_filters import covers, is_filter, overlaps, wanted
from tests.mqtt.yard import UNHURRIED, catalogue_with, sensor

USUAL = "dryshift/+/+/+"
levels = st.sampled_from(["a", "b", "+"])
some_filters = st.builds(
    lambda parts, rest: "/".join(parts + rest),
    st.lists(levels, min_size=1, max_size=3),
    st.sampled_from([[], ["#"]]),
)
some_topics = st.lists(st.sampled_from(["a", "b", "c"]), min_size=1, max_size=4).map("/".join)


@pytest.mark.parametrize("text", ["a/#/b", "a#", "a/b+", "", "a/\0", "#/a"])
def test_an_extra_topic_that_is_no_filter_is_a_fault(text: str) -> None:
    assert not is_filter(text)
    with pytest.raises(InputError, match=r"mqtt\.extra_topics\[1\]"):
        catalogue_with(sensor("a"), extra_topics=("tele/+/SENSOR", text))


@pytest.mark.parametrize("text", ["#", "+", "tele/#", "+/+/x", "/", "dryshift/#"])
def test_an_extra_topic_may_be_any_filter(text: str) -> None:
    catalogue_with(sensor("a"), extra_topics=(text,))


def test_what_a_wider_filter_covers_is_not_asked_for_again() -> None:
    own = ["dryshift/ferrymoor/slip-bay/slip-1", "old/logger/4"]
    assert wanted("dryshift", (), own) == (USUAL, "old/logger/4")
    assert wanted("dryshift", ("old/#", "dryshift/#"), own) == ("old/#", "dryshift/#")
    assert wanted("dryshift", ("#",), own) == ("#",)


def test_filters_that_would_deliver_a_message_twice_are_a_fault() -> None:
    with pytest.raises(InputError, match="overlap, and the broker may deliver a message for each"):
        catalogue_with(sensor("a"), extra_topics=("dryshift/ferrymoor/#",))
    with pytest.raises(InputError, match="overlap"):
        catalogue_with(sensor("a"), extra_topics=("a/+", "+/b"))


@UNHURRIED
@given(some_filters, some_filters, some_topics)
def test_covering_and_overlapping_mean_what_they_say(one: str, two: str, topic: str) -> None:
    """Held against the client library's own matching of topics to filters."""
    in_one, in_two = topic_matches_sub(one, topic), topic_matches_sub(two, topic)
    if covers(one, two) and in_two:
        assert in_one
    if in_one and in_two:
        assert overlaps(one, two)
    if covers(one, two):
        assert overlaps(one, two)
    assert overlaps(one, two) == overlaps(two, one)


def test_covering_and_overlapping_are_no_wider_than_they_must_be() -> None:
    assert not covers("a/+", "a/#")
    assert not covers("a/b", "a/+")
    assert not overlaps("a/b", "a/c")
    assert not overlaps("a/+", "a/b/c")
    assert covers("a/#", "a")
    assert overlaps("a/#", "a")
