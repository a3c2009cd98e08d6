"""Readings taken from the broker, acknowledged only when durable."""
