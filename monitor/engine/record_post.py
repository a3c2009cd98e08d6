"""Mails the record of the week that is over, once, through the outbox: made, written down, then sent."""

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path

from monitor.engine.paper_records import Wanted, on_paper
from monitor.model.notification import Notification
from monitor.model.picture import Part
from monitor.model.place import Site
from monitor.report.paper import HOW_TO_GET_IT, PaperSize, can_print
from monitor.report.sources import Sources
from monitor.settings.schema import Settings
from monitor.store.contract import Ledger

FOLDER = "records"
USEFUL = timedelta(days=6)  # a service that was down for longer mails the next week's only
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class RecordPost:
    """Looks from time to time whether last week's record is due; what was made stays in a folder."""

    LOOK_EVERY_S = 300.0

    def __init__(
        self,
        settings: Settings,
        ledger: Ledger,
        sources: Callable[[], Sources],
        clock: Callable[[], float],
    ) -> None:
        self._settings = settings
        self._ledger = ledger
        self._sources = sources
        self._clock = clock
        self._posted: set[str] = set()

    @property
    def wanted(self) -> bool:
        """Whether the settings ask for it."""
        return bool(self._settings.record.mail_to)

    def look(self) -> None:
        """Make and post what is due; the same record again changes nothing."""
        now_s = self._clock()
        for site in self._settings.sites if self.wanted and can_print() else ():
            week = self._due(site, now_s)
            if week is not None and f"{site.id}/{week}" not in self._posted:
                self._post(site, week, now_s)
                self._posted.add(f"{site.id}/{week}")

    def parts(self) -> Iterator[Part]:
        """Whether it can be made, where it is asked for."""
        if self.wanted and not can_print():
            yield Part("record of the week", False, f"is not mailed: a PDF {HOW_TO_GET_IT}")

    def _due(self, site: Site, now_s: float) -> str | None:
        """The ISO week before, once this week's hour has come."""
        record, now = self._settings.record, datetime.fromtimestamp(now_s, site.tz)
        day = now.date() - timedelta(days=(now.weekday() - WEEKDAYS.index(record.mail_on)) % 7)
        due = datetime.combine(day, record.mail_at, site.tz)
        if now < due:
            due -= timedelta(days=7)
        if now - due > USEFUL:
            return None
        year, week, _ = (due.date() - timedelta(days=7)).isocalendar()
        return f"{year}-W{week:02d}"

    def _post(self, site: Site, week: str, now_s: float) -> None:
        file = self._settings.service.data_dir / FOLDER / f"{site.id}-{week}.pdf"
        if not file.exists():
            size = PaperSize(self._settings.record.paper)
            _write(file, on_paper(self._sources(), Wanted("week", week, site.id), size))
        note = _note(site, week, file, now_s)
        self._ledger.commit(
            [], outbox=[(one, note) for one in self._settings.record.mail_to], entered_s=now_s
        )


def _write(file: Path, content: bytes) -> None:
    """Whole or not at all."""
    file.parent.mkdir(parents=True, exist_ok=True)
    part = file.with_suffix(".part")
    part.write_bytes(content)
    part.replace(file)


def _note(site: Site, week: str, file: Path, now_s: float) -> Notification:
    return Notification(
        key=f"record/{site.id}/{week}",
        created_s=now_s,
        expires_s=now_s + USEFUL.total_seconds(),
        priority="low",
        title=f"{site.name}: record of week {int(week[-2:])}"[:80],
        text=f"The record of week {int(week[-2:])}, {week[:4]} is attached: look it through and sign it.",
        subject="record",
        zone="",
        since_s=now_s,
        action="",
        data={"attachment": str(file.resolve())},
    )
