"""Whether a reading can be believed, and the check of a sensor over saturated salts."""
