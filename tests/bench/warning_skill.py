"""Warnings in the open attic under every definition of humid: writes what the readme publishes.

    python -m tests.bench.warning_skill FOLDER > shared/warning_skill.json

FOLDER holds the open measured data; in words: `dryshift backtest --open-data FOLDER --warnings`.
"""

import json
import sys
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from monitor.engine.rehearsal import HUMID, Humid, attic_shop, foreseen, rehearse
from monitor.outlook.backtest import Recording, Replay, replay
from monitor.outlook.hourly import DAY_H, AirHistory, OutdoorAir
from monitor.outlook.warning_skill import warning_skill
from monitor.weather.recordings import ATTIC, open_recordings

SEED = 7
SHORT_DAYS, SHORT = 90, "90 %RH"


def attic(folder: Path, days: int | None = None) -> Recording:
    """The attic with weather as wrong as usual; only its first days where so many are named."""
    whole = next(one for one in open_recordings(folder) if one.name == ATTIC)
    if days is not None:
        rows = days * DAY_H + 1
        history, outdoor = whole.history, whole.outdoor
        assert outdoor is not None
        cut = AirHistory(
            history.zone, history.start_s, history.temperature_c[:rows], history.vapour_pressure_pa[:rows]
        )
        longer = slice(rows + 48)
        air = OutdoorAir(outdoor.temperature_c[longer], outdoor.vapour_pressure_pa[longer])
        whole = replace(whole, history=cut, outdoor=air)
    rows = whole.history.temperature_c.size
    return replace(whole, outdoor=foreseen(whole.outdoor, rows, "typical", SEED))


def measured(recording: Recording, made: Replay, humid: Humid) -> dict[str, Any]:
    """One definition's figures."""
    shop = attic_shop(recording, humid)
    result = rehearse(shop, {recording.history.zone: made}, lambda _: None)
    return {"humid": humid.name, **asdict(warning_skill(result, shop.rules.probability, shop.rules))}


def short(folder: Path) -> dict[str, Any]:
    """A part that a test can do again."""
    recording = attic(folder, SHORT_DAYS)
    humid = next(one for one in HUMID if one.name == SHORT)
    return measured(recording, replay(recording), humid)


if __name__ == "__main__":
    place = Path(sys.argv[1])
    record = attic(place)
    once = replay(record)
    found = [measured(record, once, humid) for humid in HUMID]
    print(json.dumps({"attic": found, "short": short(place)}, indent=1))
