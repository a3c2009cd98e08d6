"""Records to take away: the history of a package, lot, job or week as a sheet and as CSV."""
