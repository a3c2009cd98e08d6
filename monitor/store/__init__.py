"""Keeps what must last: the series of numbers and the ledger of things."""
