"""Where the people of all shops are let in: a desk like a shop's, its accounts in the common database."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from monitor.access.desk import AccessDesk
from monitor.engine.front_desk import open_desk
from monitor.engine.link_key import kept_key
from monitor.model.event import NewEvent
from monitor.settings.fleet_file import FleetSettings
from monitor.settings.schema import Settings
from monitor.store.fleet_book import FleetBook
from monitor.store.ledger.sql_ledger import open_ledger

NO_FOLDER = Path()  # all of it lies in the database, so that every worker knows the same people


@contextmanager
def common_desk(fleet: FleetSettings, book: FleetBook) -> Iterator[tuple[Settings, bytes, AccessDesk]]:
    """What the desk goes by, the key that signs its forms, the desk; several workers have it open at once."""
    house = fleet.as_one_house()
    ledger = open_ledger(book.own_ledger_url())
    try:
        beside = ledger.beside(NO_FOLDER)
        key = kept_key(beside)

        def tell(event: NewEvent) -> None:
            ledger.commit([event], entered_s=event.time_s)

        yield house, key, open_desk(house, beside, key, tell)
    finally:
        ledger.close()
