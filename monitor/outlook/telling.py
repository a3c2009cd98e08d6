"""From when on a shift ahead is shown, told and taken back: the table `telling` of `shared/outlook.toml`."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from monitor.model.data_tables import Table


@dataclass(frozen=True, slots=True)
class Telling:
    """How odds become a level, a message and a spell; each number has its provenance in the data."""

    worth_a_look_frac: float  # of the odds that call for a warning: from here on a shift is not shown as safe
    likely_frac: float  # water on steel, or a further shift of a spell, from these odds on
    as_likely_frac: float  # of the likeliest limit: so near, the graver one is spoken of
    rising_k: float  # a dew point that climbs by so much is spoken of as the cause
    sure_frac: float  # so likely that there is no waiting for a better forecast
    wait_h: float  # before the last good moment the plain threshold is enough
    cancel_below_frac: float  # of the threshold: a warning does not flicker
    worst_moved_h: float  # the worst hour come so much sooner is said again
    act_before_h: float  # a warning comes so long before the plan's first deadline
    most_updates: int  # of one warning
    most_warnings: int  # of one shift
    apart_h: float  # a longer rest between two humid shifts makes two spells of them
    charted_lead_h: float  # what was foretold so long before is kept, to be drawn against what came
    again_within_h: float  # what a spell gains later is told once it begins so soon


def telling_from(data: Mapping[str, Any]) -> Telling:
    """Read the table `telling` of the outlook's reference data; InputError names every fault."""
    table = Table(data.get("telling"), "telling")

    def share(name: str) -> float:
        return table.sourced(name, "1", 0.0, 1.0).value

    def hours(name: str) -> float:
        return table.sourced(name, "h", 0.0, 48.0).value

    def count(name: str) -> int:
        return int(table.sourced(name, "1", 0.0, 10.0).value)

    found = Telling(
        worth_a_look_frac=share("worth_a_look_frac"),
        likely_frac=share("likely_frac"),
        as_likely_frac=share("as_likely_frac"),
        rising_k=table.sourced("rising_k", "K", 0.1, 10.0).value,
        sure_frac=share("sure_frac"),
        wait_h=hours("wait_h"),
        cancel_below_frac=share("cancel_below_frac"),
        worst_moved_h=hours("worst_moved_h"),
        act_before_h=hours("act_before_h"),
        most_updates=count("most_updates"),
        most_warnings=count("most_warnings"),
        apart_h=hours("apart_h"),
        charted_lead_h=hours("charted_lead_h"),
        again_within_h=hours("again_within_h"),
    )
    table.finish()
    return found
