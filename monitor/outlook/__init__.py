"""Looks ahead: the coming shifts, the air each zone will have, the odds, and what to do by when."""
