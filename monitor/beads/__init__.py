"""Acceptance of pores by the code in force, likely causes, beads as evidence."""
