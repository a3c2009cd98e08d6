"""What is said of a thing that has no figures yet."""

from monitor.stages import standing
from monitor.values import Level


def test_what_was_just_brought_in_is_not_blamed_on_a_sensor() -> None:
    level, reason = standing.body_level(None, 3.0, air_known=True)
    assert (level, reason) == (Level.UNKNOWN, "just entered, judged at the next look")
    assert standing.body_action("cylinder", level, air_known=True) == "Feel it by hand; leave it shut."


def test_where_no_sensor_is_believed_the_sensor_is_to_be_looked_after() -> None:
    level, reason = standing.body_level(None, 3.0, air_known=False)
    assert (level, reason) == (Level.UNKNOWN, "no believable reading")
    assert "sensor" in standing.body_action("plate", level, air_known=False)
