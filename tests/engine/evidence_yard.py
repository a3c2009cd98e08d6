"""The small yard with its keeper, offline: any air, any silence, entries, restarts, changed settings."""

from collections.abc import Callable
from pathlib import Path

from monitor.engine.bookkeeper import Keeper, shop_with_things
from monitor.engine.build import build_shop
from monitor.engine.derivation import Deriver
from monitor.engine.loop import CoreLoop
from monitor.engine.recount import Recounter
from monitor.history.entries import Entry, body_of
from monitor.model.event import NewEvent
from monitor.model.notification import Notification
from monitor.model.picture import BodyNow, PackageNow, Picture, ZoneNow
from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.settings.file import load
from monitor.store.opener import open_ledger_for, open_series_store
from tests.engine.yard import START_S, write_shop

EVERY_S = 60.0
HOUR_S = 3600.0
Air = Callable[[float], tuple[float, float] | None]  # hours since the start: °C and fraction; None: silence


def steady(celsius: float, humidity: float) -> Air:
    """The same air for ever."""
    return lambda _: (celsius, humidity)


class EvidenceYard:
    """A core on a folder's settings, driven by the air of each sensor."""

    def __init__(self, folder: Path, extra: str = "", start_s: float = START_S) -> None:
        folder.mkdir(exist_ok=True)
        self.file = write_shop(folder, 1, "http://127.0.0.1:1/")
        self._plain = self.file.read_text(encoding="utf-8")
        self.start_s = self.now_s = start_s
        self._entries = 0
        self.settings_are(extra)

    def settings_are(self, extra: str, *, without: str = "") -> None:
        """The settings changed, and the service was started with them."""
        self.file.write_text(self._plain.replace(without, "") + extra, encoding="utf-8")
        self.starts()

    def starts(self) -> None:
        """As the service starts: everything from the settings, the ledger and the checkpoint."""
        settings = load(self.file)
        settings.service.data_dir.mkdir(exist_ok=True)
        self.series, self.ledger = open_series_store(settings), open_ledger_for(settings)
        self.loop = CoreLoop(
            shop_with_things(build_shop(settings), settings, self.series, self.ledger),
            self.series,
            self.ledger,
            self.now_s,
            recount=Recounter(Deriver(settings, self.series), self.series),
        )
        self.keeper = Keeper(settings, self.series, self.ledger, self.loop)
        self.loop.resume(self.now_s)
        self.keeper.load()

    def stops(self, hours: float = 0.0) -> None:
        """The service is stopped, and time goes by."""
        self.loop.save()
        self.close()
        self.now_s += hours * HOUR_S

    def goes_on(self, hours: float, **airs: Air) -> list[Notification]:
        """Time passes with this air at each sensor (by id, with _ for -); what is posted meanwhile."""
        before = {item.notification.key for item in self.ledger.outbox()}
        end_s = self.now_s + hours * HOUR_S
        readings = []
        while self.now_s < end_s:
            self.now_s += EVERY_S
            for name, air in airs.items():
                readings += self.readings(name.replace("_", "-"), air, self.now_s)
        self.series.append(readings)
        self.loop.advance_to(self.now_s)
        items = reversed(self.ledger.outbox())
        return [item.notification for item in items if item.notification.key not in before]

    def readings(self, sensor: str, air: Air, time_s: float, arrived_s: float | None = None) -> list[Reading]:
        """What one sensor says at a moment."""
        said = air((time_s - self.start_s) / HOUR_S)
        if said is None:
            return []
        zone = self.loop.shop.sensors[sensor].zone
        wobble = 0.01 * (round(time_s / EVERY_S) % 3)
        values = (
            (Quantity.AIR_TEMPERATURE, said[0] + wobble),
            (Quantity.RELATIVE_HUMIDITY, said[1] + wobble / 100),
        )
        arrived_s = time_s if arrived_s is None else arrived_s
        return [Reading(SeriesKey(zone, sensor, q), time_s, arrived_s, v, None, True) for q, v in values]

    def enters(self, subject: str, entry: Entry, hours_ago: float = 0.0) -> None:
        """Somebody enters something."""
        self._entries += 1
        time_s = self.now_s - hours_ago * HOUR_S
        key = f"test/{self._entries}"
        event = NewEvent(entry.kind, subject, time_s, "Ann", body_of(entry), "as the test says", key)
        self.keeper.record(event, self.now_s)

    def seen(self) -> Picture:
        """The picture of now."""
        return self.loop.snapshot()

    def zone(self, name: str = "slip-bay") -> ZoneNow:
        """One zone of the picture."""
        return next(one for one in self.seen().zones if one.id == name)

    def body(self, name: str = "plate-keel") -> BodyNow:
        """One body of the picture."""
        return next(one for one in self.seen().bodies if one.id == name)

    def package(self, name: str) -> PackageNow:
        """One package of the picture."""
        return next(one for one in self.seen().packages if one.id == name)

    def close(self) -> None:
        """Let go of the stores."""
        self.series.close()
        self.ledger.close()
