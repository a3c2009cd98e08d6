"""Ferrymoor Slipway: an invented yard whose simulated air drives the real service."""
