"""The shop's nouns, frozen and without I/O: what travels between the rooms."""
