"""The settings file and the reference data: every fault at once."""
