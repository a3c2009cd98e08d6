"""Series moved from one store to another, counted and summed."""
