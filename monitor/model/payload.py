"""How large a sensor's message may be: one size for brokers, intake and documents."""

MAX_PAYLOAD_BYTES = 65_536  # what is longer is set aside with its reason
PASSED_ON_BYTES = 2 * MAX_PAYLOAD_BYTES  # by a broker: it drops without a word, so it leaves the rest to us
KEPT_PAYLOAD_BYTES = MAX_PAYLOAD_BYTES // 8  # of a message set aside, for whoever looks into it
KEPT_TOPIC_CHARACTERS = 200  # of its topic; MQTT allows 65 535 bytes
