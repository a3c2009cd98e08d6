"""Decides whether a reading can be believed, and what is thought of each sensor."""
