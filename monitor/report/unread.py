"""What a record lacks of stored readings, since a month's file could not be read when it was made."""

from monitor.report.sheet import SheetSection
from monitor.report.sources import Sources
from monitor.store.contract import SeriesStore, StoreUnavailableError


def unread_section(sources: Sources, start_s: float, end_s: float) -> tuple[SheetSection, ...]:
    """One section that says so, or none; asked once all of the record was read."""
    why = sources.series.unreadable(start_s, end_s)
    if not why:
        return ()
    note = (
        "Hours of this time count as not known here, though they were measured: read the record again then."
    )
    return (SheetSection("unread", "Readings that could not be read", ("archive",), ((why,),), (note,)),)


def all_read(series: SeriesStore, start_s: float, end_s: float) -> None:
    """StoreUnavailableError for a file that has no room to say what it lacks; asked once all was read."""
    why = series.unreadable(start_s, end_s)
    if why:
        raise StoreUnavailableError(f"the file would lack what was measured: {why}")
