"""A corner of the Ferrymoor Slipway on real stores: invented air, a core loop and its keeper."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor.engine.bookkeeper import Keeper, shop_with_things
from monitor.engine.build import build_shop
from monitor.engine.derivation import Deriver
from monitor.engine.loop import CoreLoop
from monitor.engine.recount import Recounter
from monitor.history.entries import Entry, body_of
from monitor.model.event import Event, EventKind, NewEvent
from monitor.model.picture import PackageNow
from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.settings.schema import Settings
from monitor.store.ledger.sql_ledger import open_ledger
from monitor.store.series.sqlite_series import SqliteSeriesStore

HOUR = 3600.0
START_S = 1_788_912_000.0  # 9 September 2026, 00:00 UTC
EVERY_S = 120.0
LEAD = "Morgan Reyd"

Air = Callable[[float], tuple[float, float | None] | None]
ZONES: Mapping[str, tuple[str, dict[str, Any]]] = {
    "slip-bay": ("bay", {}),
    "panel-hall": ("hall", {}),
    "wire-store": ("store", {"max_relative_humidity_frac": 0.6}),
    "dry-cabinet": ("cabinet", {"max_relative_humidity_frac": 0.25, "desiccant_days": 30}),
    "rod-oven": ("oven", {"min_temperature_c": 120}),
    "quiver-1": ("quiver", {"stands_in": "slip-bay"}),
    "quay-oven": ("oven", {"min_temperature_c": 120}),  # nobody hung a sensor there
    "quay-cabinet": ("cabinet", {"max_relative_humidity_frac": 0.25}),  # nor there
    "gas-cage": ("cage", {}),
    "plate-yard": ("yard", {}),
    "slipway-mast": ("outdoor", {}),
}
AIR: dict[str, Air] = {
    "slip-bay": lambda _: (18.0, 0.85),
    "panel-hall": lambda _: (20.0, 0.55),
    "wire-store": lambda _: (22.0, 0.45),
    "dry-cabinet": lambda _: (24.0, 0.15),
    "rod-oven": lambda _: (130.0, None),
    "quiver-1": lambda _: (130.0, None),
    "gas-cage": lambda _: (9.0, 0.80),
    "plate-yard": lambda _: (6.0, 0.85),
    "slipway-mast": lambda _: (5.0, 0.90),
}


def yard_settings(folder: Path, **more: Any) -> Settings:
    """Eleven zones, a sensor in nine of them, one declared package and cylinder."""
    both = [
        {
            "quantity": "air_temperature_c",
            "unit": "Cel",
            "accuracy": 0.3,
            "max": 450,
            "max_rate_per_min": 500,
        },
        {"quantity": "relative_humidity_frac", "unit": "%RH", "accuracy": 0.02, "max_rate_per_min": 5},
    ]
    fields = {
        "service": {"data_dir": str(folder), "tick_s": 120, "derived_every_s": 120, "checkpoint_s": 300},
        "sites": [{"id": "ferrymoor", "name": "Ferrymoor Slipway", "timezone": "Europe/London"}],
        "zones": [
            {"id": name, "site": "ferrymoor", "name": name.replace("-", " ").title(), "kind": kind, **rest}
            for name, (kind, rest) in ZONES.items()
        ],
        "sensors": [
            {
                "id": f"{zone}-1",
                "zone": zone,
                "measures": both[:1] if zone in ("rod-oven", "quiver-1") else both,
                "stale_after_s": 300,
                "stuck_after_s": 10_000_000,
            }
            for zone in AIR
        ],
        "cylinders": [{"id": "mix-1", "zone": "gas-cage", "name": "Mix 1"}],
    }
    return Settings.model_validate({**fields, **more})


@dataclass
class Yard:
    """The stores, the loop and the keeper of one folder; `restart` opens them again, as after a power cut."""

    folder: Path
    settings: Settings
    air: dict[str, Air] = field(default_factory=lambda: dict(AIR))
    fed_s: float = START_S
    entries: int = 0
    every_s: float = EVERY_S
    ledger_url: str = ""

    def __post_init__(self) -> None:
        self.open()

    def open(self) -> None:
        """As the service does at its start."""
        self.series = SqliteSeriesStore(self.folder / "series.sqlite")
        self.ledger = open_ledger(self.ledger_url or f"sqlite:///{self.folder / 'ledger.sqlite'}")
        shop = shop_with_things(build_shop(self.settings), self.settings, self.series, self.ledger)
        recount = Recounter(Deriver(self.settings, self.series), self.series)
        self.loop = CoreLoop(shop, self.series, self.ledger, START_S, checkpoint_s=300.0, recount=recount)
        self.keeper = Keeper(self.settings, self.series, self.ledger, self.loop)

    def restart(self, *, clean: bool = False) -> None:
        """Stop and start: cleanly with a checkpoint, or as after a power cut."""
        if clean:
            self.loop.save()
        self.close()
        self.open()
        self.loop.resume(self.fed_s)
        self.keeper.load()

    def close(self) -> None:
        """Let go of the files."""
        self.series.close()
        self.ledger.close()

    def run_to(self, until_s: float) -> None:
        """Feed a reading of every zone at a steady pace, and judge them."""
        readings: list[Reading] = []
        while (next_s := (self.fed_s // self.every_s + 1) * self.every_s) <= until_s:
            self.fed_s = next_s
            for zone, air in self.air.items():
                now = air(next_s)
                if now is not None:
                    readings += self._readings(zone, now)
        self.fed_s = until_s
        self.series.append(readings)
        self.loop.advance_to(until_s)

    def _readings(self, zone: str, now: tuple[float, float | None]) -> list[Reading]:
        sensor, time_s = f"{zone}-1", self.fed_s - 1.0
        warm = SeriesKey(zone, sensor, Quantity.AIR_TEMPERATURE)
        damp = SeriesKey(zone, sensor, Quantity.RELATIVE_HUMIDITY)
        found = [Reading(warm, time_s, time_s, now[0])]
        return found if now[1] is None else [*found, Reading(damp, time_s, time_s, now[1])]

    def enter(self, subject: str, entry: Entry, at_s: float | None = None, key: str | None = None) -> Event:
        """Enter it now, or as having happened earlier."""
        self.entries += 1
        time_s = self.fed_s if at_s is None else at_s
        key = f"test/{self.entries}" if key is None else key
        event = NewEvent(entry.kind, subject, time_s, LEAD, body_of(entry), "", key)
        return self.keeper.record(event, self.fed_s)

    def correct(self, event: Event, **body: object) -> Event:
        """Put an entry right."""
        self.entries += 1
        correction: dict[str, object] = {"of": event.number, **body}
        key = f"test/{self.entries}"
        new = NewEvent(EventKind.CORRECTION, event.subject, self.fed_s, LEAD, correction, "a slip", key)
        return self.keeper.record(new, self.fed_s)

    def package(self, name: str) -> PackageNow:
        """A package in the picture."""
        return next(one for one in self.loop.snapshot().packages if one.id == name)
