"""What people entered, folded into the history of every thing."""
