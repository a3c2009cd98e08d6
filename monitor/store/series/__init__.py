"""The embedded store of series on SQLite."""
