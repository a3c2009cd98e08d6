"""The shell that drives the core, live and in replay."""
