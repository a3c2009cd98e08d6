"""Says a chance: the one way for messages, pages, sheets and sentences."""

NEARLY = 0.995  # from here on a whole percent would say that it is certain


def odds_text(chance_frac: float) -> str:
    """A chance in percent; ">99%" and "<1%" at the ends, where nobody can be sure."""
    if chance_frac < 1.0 - NEARLY:
        return "<1%"
    return ">99%" if chance_frac >= NEARLY else f"{chance_frac:.0%}"
