"""What the readme says of the warnings comes from a run over a measured attic, by this very code."""

import json
from pathlib import Path
from typing import Any

import pytest

from monitor.settings.reference import load_json
from tests.bench import warning_skill
from tests.outlook.open_rooms import DATA, needs_open_data

README = Path(__file__).resolve().parents[2] / "README.md"
HEAD = [
    "| a shift is humid with | humid | found | false alarms | onsets found | as the last finished: found, "
    "false, onsets | withdrawn (humid after all) | mean lead |",
    "|---|---|---|---|---|---|---|---|",
]


def published() -> list[str]:
    """The readme's lines, from the data."""
    attic = load_json("warning_skill.json")["attic"]
    worse = [one for one in attic if one["brier"] > one["brier_base"]]
    return [*HEAD, *map(_row, attic), *map(_odds, attic), *map(_overstated, worse)]


def _row(one: dict[str, Any]) -> str:
    plain = one["last_finished"]
    return (
        f"| {one['humid']} | {one['base_frac']:.0%} | {_hit(one['ours'])} | {_false(one['ours'])} | "
        f"{_hit(one['onsets'])} | {_hit(plain)}, {_false(plain)}, {_hit(one['last_onsets'])} | "
        f"{one['withdrawn']} ({one['withdrawn_humid']}) | {one['lead_h']:.0f} h |"
    )


def _odds(one: dict[str, Any]) -> str:
    pairs = ", ".join(f"{said:.0%} came {came:.0%}" for said, came, _ in one["reliability"])
    before, after = one["brier_courses"], one["brier"]
    word = "better" if round(after, 3) < round(before, 3) else "no better"
    return (
        f"- {one['humid']}: said {pairs}. Brier score {after:.3f}, of the base rate {one['brier_base']:.3f}; "
        f"the site's own record made it {word} ({before:.3f} without)."
    )


def _overstated(one: dict[str, Any]) -> str:
    return (
        f"{one['humid'].capitalize()} comes in {one['base_frac']:.0%} of the shifts: its odds score worse "
        f"than the base rate, {_false(one['ours'])} of its warnings are false."
    )


def _hit(found: dict[str, int]) -> str:
    return f"{found['hits'] / found['humid']:.0%}"


def _false(found: dict[str, int]) -> str:
    return f"{1.0 - found['hits'] / found['warned']:.0%}"


def test_the_readme_says_what_the_run_gave() -> None:
    text = README.read_text(encoding="utf-8")
    missing = [line for line in published() if line not in text]
    assert not missing, "\n".join(missing)


@needs_open_data
def test_a_part_of_the_run_done_again_gives_the_same() -> None:
    """Stale figures are found: `python -m tests.bench.warning_skill` writes them anew."""
    again = json.loads(json.dumps(warning_skill.short(Path(DATA))))
    kept = load_json("warning_skill.json")["short"]
    assert again.keys() == kept.keys()
    for name in ("shifts", "ours", "onsets", "last_finished", "withdrawn"):
        assert again[name] == kept[name]
    assert again["brier"] == pytest.approx(kept["brier"], abs=1e-3)
