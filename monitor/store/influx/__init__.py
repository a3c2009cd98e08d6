"""A time-series server behind a durable spool."""
