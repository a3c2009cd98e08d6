"""The sample yard: its settings, its shifts, and the moment the pages are looked at."""

from datetime import datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from monitor.outlook.shifts import ShiftPlan, WeeklyShift
from monitor.settings.schema import Settings

TZ = ZoneInfo("Europe/London")
NOW_S = datetime(2026, 9, 18, 5, 52, tzinfo=TZ).timestamp()
START_S = datetime(2026, 9, 12, tzinfo=TZ).timestamp()  # the Saturday before
WEEK_S = 7 * 86_400.0
LEAD = "Morgan Reyd"
BOARD_TOKEN = "a token for tests only, of 32 signs"


def settings(**web: Any) -> Settings:
    """The yard: five zones, the outdoor mast, a cabinet, an oven and a quiver."""
    zones = [
        ("slip-bay", "Slip Bay", "bay", {}),
        ("panel-hall", "Panel Hall", "hall", {}),
        ("wire-store", "Wire Store", "store", {"max_relative_humidity_frac": 0.6}),
        ("gas-cage", "Gas Cage", "cage", {}),
        ("plate-yard", "Plate Yard", "yard", {}),
        ("slipway-mast", "Slipway Mast", "outdoor", {}),
        ("rod-oven", "Rod Oven", "oven", {"min_temperature_c": 120}),
        ("quiver-1", "Quiver 1", "quiver", {"stands_in": "panel-hall"}),
        ("dry-cabinet", "Dry Cabinet", "cabinet", {"max_relative_humidity_frac": 0.25}),
    ]
    measures = [
        {"quantity": "air_temperature_c", "unit": "Cel", "accuracy": 0.3},
        {"quantity": "relative_humidity_frac", "unit": "%RH", "accuracy": 0.02},
    ]
    sensors = [
        {"id": f"{zone.split('-')[0]}-{n}", "zone": zone, "measures": measures, "stale_after_s": 1_500}
        for zone, count in (
            ("slip-bay", 3),
            ("panel-hall", 3),
            ("wire-store", 2),
            ("gas-cage", 1),
            ("plate-yard", 1),
        )
        for n in range(1, count + 1)
    ]
    return Settings.model_validate(
        {
            "web": {"log_in": "names", **web},  # the pages' own tests; those of accounts ask for accounts
            "service": {"derived_every_s": 300},
            "limits": {"humidity_caution_frac": 0.8},
            "sites": [{"id": "ferrymoor", "name": "Ferrymoor Slipway", "timezone": "Europe/London"}],
            "zones": [
                {"id": id_, "site": "ferrymoor", "name": name, "kind": kind, **more}
                for id_, name, kind, more in zones
            ],
            "sensors": sensors,
            "cylinders": [{"id": f"mix-{n}", "zone": "gas-cage", "name": f"Mix {n}"} for n in range(1, 7)]
            + [{"id": "co2-1", "zone": "slip-bay", "name": "CO₂ 1", "gas": "co2"}],
            "plates": [
                {"id": "deck-12", "zone": "plate-yard", "name": "Deck plate 12 mm", "thickness_m": 0.012},
                {"id": "keel-25", "zone": "slip-bay", "name": "Keel plate 25 mm", "thickness_m": 0.025},
                {"id": "panel-8", "zone": "panel-hall", "name": "Panel 8 mm", "thickness_m": 0.008},
            ],
            "packages": [
                {"id": id_, "zone": zone, "name": name, "consumable": consumable, "opened_at": opened}
                for id_, zone, name, consumable, opened in (
                    ("spool-7", "slip-bay", "Spool 7", "fcaw-folded-h8", "2026-09-15T03:20:00+01:00"),
                    ("spool-12", "slip-bay", "Spool 12", "fcaw-folded-h8", "2026-09-15T16:52:00+01:00"),
                    ("rods-3", "panel-hall", "Rods 3 (quiver)", "e7018", "2026-09-18T03:10:00+01:00"),
                    ("spool-14", "wire-store", "Spool 14", "fcaw-folded-h8", "2026-09-17T23:52:00+01:00"),
                )
            ],
            "channels": [
                {"id": "phone", "kind": "push", "push_url": "json://127.0.0.1:9/"},
                {
                    "id": "office",
                    "kind": "email",
                    "url": "smtp://127.0.0.1:9",
                    "sender": "dryshift@ferrymoor.example",
                    "to": ["lead@ferrymoor.example"],
                },
            ],
            "people": [
                {"id": "lead-1", "name": LEAD},
                {"id": "lead-2", "name": "Ines Calloway"},
                {"id": "review-1", "name": "T. Ostrander", "role": "reviewer"},
            ],
            "programs": [{"id": "board", "token": BOARD_TOKEN}],
        }
    )


def shift_plan() -> ShiftPlan:
    """Day and late shift on weekdays, a short one on Saturday."""
    week = ("mon", "tue", "wed", "thu", "fri")
    return ShiftPlan(
        weekly=(
            WeeklyShift(site="ferrymoor", name="Day", days=week, start=time(6), end=time(14), zone=TZ),
            WeeklyShift(site="ferrymoor", name="Late", days=week, start=time(14), end=time(22), zone=TZ),
            WeeklyShift(
                site="ferrymoor", name="Saturday", days=("sat",), start=time(7), end=time(12), zone=TZ
            ),
        )
    )
