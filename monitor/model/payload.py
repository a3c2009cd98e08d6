"""How large a sensor's message may be: one size for brokers, intake and documents."""

MAX_PAYLOAD_BYTES = 65_536  # what is longer is set aside with its reason
PASSED_ON_BYTES = 2 * MAX_PAYLOAD_BYTES  # by a broker: it drops without a word, so it leaves the rest to us
KEPT_PAYLOAD_BYTES = MAX_PAYLOAD_BYTES // 8  # of a message set aside, for whoever looks into it
KEPT_TOPIC_CHARACTERS = 200  # of its topic; MQTT allows 65 535 bytes
_LENGTH_SAID = 40  # characters at most that say how long it was


def kept_topic(topic: str) -> str:
    """A topic as it is kept: a long one cut, with its length said."""
    if len(topic) <= KEPT_TOPIC_CHARACTERS + _LENGTH_SAID:
        return topic
    return f"{topic[:KEPT_TOPIC_CHARACTERS]}… ({len(topic)} characters)"
