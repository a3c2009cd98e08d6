"""Says a chance in words that are never certain, as the pages do."""

NEARLY = 0.995


def odds_text(chance_frac: float) -> str:
    """A chance as a percentage; "under 1%" and "over 99%" at the ends, where nobody can be sure."""
    if chance_frac < 1.0 - NEARLY:
        return "under 1%"
    return "over 99%" if chance_frac >= NEARLY else f"{chance_frac:.0%}"
