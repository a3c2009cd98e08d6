"""Looks after the stores: a copy every day, closed months in files of their own, and how these are."""

import logging
import threading
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime

from monitor import __version__
from monitor.clock import Clock
from monitor.model.errors import DryshiftError
from monitor.model.event import EventKind
from monitor.model.picture import Part
from monitor.settings.schema import Settings
from monitor.store.backup import Copied, back_up
from monitor.store.contract import Ledger, SeriesStore, StoreUnavailableError
from monitor.store.months.archive_apart import archive_apart
from monitor.store.months.archiving import due_months
from monitor.store.months.month_book import months_back, span_of
from monitor.store.series.sqlite_series import SqliteSeriesStore

log = logging.getLogger(__name__)

LOOK_EVERY_S = 600.0
LOOKS_BETWEEN_MONTHS = 36  # a month at most in six hours
STOP_WITHIN_S = 10.0


def provenance(settings: Settings, ledger: Ledger, now_s: float, month: str) -> dict[str, object]:
    """What a month's file says of where its numbers come from, as it was known when the file was made.

    The sensors as the settings declare them (calibration, accuracy, correction), each check of a sensor over
    salts and what was put right of it up to the month's end, and the record's end.
    """
    kinds = (EventKind.SENSOR_CHECK, EventKind.CORRECTION)
    until_s = span_of(month)[1] / 1000.0
    checked = sorted({event.subject for event in ledger.events(kinds=kinds[:1], end_s=until_s)})
    entered = [event for sensor in checked for event in ledger.events(kinds=kinds, subject=sensor)]
    head = ledger.head()
    return {
        "made_at": _utc(now_s),
        "service_version": __version__,
        "sites": [one.model_dump(mode="json", include={"id", "name", "timezone"}) for one in settings.sites],
        "zones": [
            one.model_dump(mode="json", include={"id", "site", "name", "kind"}) for one in settings.zones
        ],
        "sensors": [one.model_dump(mode="json", exclude_none=True) for one in settings.sensors],
        "sensor_checks": [
            {
                "event": event.number,
                "kind": event.kind.value,
                "sensor": event.subject,
                "time": _utc(event.time_s),
                "by": event.by,
                "body": dict(event.body),
            }
            for event in entered
        ],
        "record_end": {"number": head.number, "hash": head.hash},
    }


def _utc(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).isoformat(timespec="seconds")


class StoreUpkeep:
    """Backs up; looks at the months' files and archives what is due, on a thread that nothing waits for."""

    def __init__(
        self,
        settings: Settings,
        series: SeriesStore,
        ledger: Ledger,
        clock: Clock,
        beside: Sequence[Copied] = (),
    ) -> None:
        self._settings = settings
        self._series = series
        self._ledger = ledger
        self._clock = clock
        self._beside = beside
        self._trouble = ""
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="months", daemon=True)

    def start(self) -> None:
        """Look now, and from time to time."""
        self._thread.start()

    def stop(self) -> None:
        """End; a month that is just being moved is not waited for long: cut short it loses nothing."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(STOP_WITHIN_S)

    def back_up(self) -> None:
        """A copy of all that is kept, where the settings name a folder for it."""
        target = self._settings.store.backup_dir
        if target is not None:
            back_up(self._series, self._ledger, target, self._clock.now_s(), beside=self._beside)

    def archive_due(self) -> None:
        """Move the oldest month that is due into its file."""
        store, now_s = self._series, self._clock.now_s()
        if self._settings.store.archive_dir is None or not isinstance(store, SqliteSeriesStore):
            return
        before_ms = months_back(round(now_s * 1000.0), self._settings.store.archive_after_months)
        for month in due_months(store, before_ms, unfinished=True)[:1]:
            about = provenance(self._settings, self._ledger, now_s, month)
            log.info("%s: %s", month, archive_apart(store, month, about))

    def parts(self) -> Iterator[Part]:
        """How the archive stands, where there is one."""
        try:
            found = self._series.archived()
        except StoreUnavailableError:  # the part of the store itself says so
            return
        if not found and self._settings.store.archive_dir is None:
            return
        wrong = [why for why in found.values() if why]
        months = len({one.month for one in found})
        numbers = {"months": float(months), "unreadable": float(len(wrong))}
        if wrong:
            more = f"; and {len(wrong) - 1} more files" if len(wrong) > 1 else ""
            yield Part("archive", False, f"hours are not known: {wrong[0]}{more}", numbers)
        elif self._trouble:
            yield Part("archive", False, f"nothing is archived: {self._trouble}", numbers)
        else:
            yield Part("archive", True, f"{months} months in files", numbers)

    def _run(self) -> None:
        looks = 0
        while not self._stopping.is_set():
            try:
                self._series.look_at_archive()
                if looks % LOOKS_BETWEEN_MONTHS == 0:
                    self.archive_due()
                    self._trouble = ""
            except DryshiftError as error:
                if not self._stopping.is_set() and str(error) != self._trouble:
                    log.warning("the archive waits: %s", error)
                    self._trouble = str(error)
            looks += 1
            self._stopping.wait(LOOK_EVERY_S)
