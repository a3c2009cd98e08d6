"""Carries messages from the outbox to people, and says what became of each."""
