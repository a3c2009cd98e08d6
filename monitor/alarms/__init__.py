"""Decides what to warn of, keeps each alarm's life cycle, and says it in plain words."""
