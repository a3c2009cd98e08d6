"""Holds a ledger on PostgreSQL for one running service of one shop: two would send each other's warnings."""

import threading
import time
from collections.abc import Sequence

from sqlalchemy import Connection, Engine, select
from sqlalchemy.exc import DBAPIError

from monitor.model.errors import Fault, InputError
from monitor.store.contract import StoreUnavailableError
from monitor.store.ledger.engine import OF_THIS_LEDGER, named_failures, writing
from monitor.store.ledger.tables import OWNER

SERVICE_LOCK = 0x44525903  # an advisory lock of the session: it ends with the connection, so with the process
_LOCK = f"SELECT pg_try_advisory_lock({SERVICE_LOCK}, {OF_THIS_LEDGER})"
ATTEMPTS, WAIT_S = 20, 0.5  # a service that was killed a moment ago may still be seen as connected


class LedgerHold:
    """One connection that holds the lock for as long as the service runs."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._link: Connection | None = None
        self._turn = threading.Lock()  # of several threads that look at the link

    def take(self, sites: Sequence[str]) -> None:
        """Hold the ledger for a shop of these sites; InputError where another service or shop has it."""
        for attempt in range(ATTEMPTS):
            if self._lock():
                break
            if attempt < ATTEMPTS - 1:
                time.sleep(WAIT_S)
        else:
            fix = "is in use by another running service; stop that first, or give each shop its own database"
            raise InputError([Fault("store.ledger_url", self._place(), fix)])
        try:
            self._own(sites)
        except InputError:
            self.leave()
            raise

    def keep(self) -> None:
        """Check that the lock is still held, and take it again after the connection was lost."""
        with self._turn:
            if self._link is not None:
                try:
                    self._link.exec_driver_sql("SELECT 1")
                    self._link.rollback()
                except DBAPIError:
                    self.leave()
                else:
                    return
            if not self._lock():
                raise StoreUnavailableError(
                    f"{self._place()}: another service has taken the ledger; stop one"
                )

    def leave(self) -> None:
        """Let go."""
        if self._link is not None:
            self._link.invalidate()  # closed, not returned to the pool: the lock must end here
            self._link.close()
            self._link = None

    def _lock(self) -> bool:
        with named_failures(self._engine):
            link = self._engine.connect()
            try:
                held = bool(link.exec_driver_sql(_LOCK).scalar())
                link.rollback()  # the lock is the session's, and no transaction stays open
            except DBAPIError:
                link.close()
                raise
        if held:
            self._link = link
        else:
            link.close()
        return held

    def _own(self, sites: Sequence[str]) -> None:
        """The sites whose ledger this is; a shop may add, drop and rename some of them, not all at once."""
        with writing(self._engine, None) as db:
            found = {row[0] for row in db.execute(select(OWNER.c.site))}
            if found and not found & set(sites):
                owner = ", ".join(sorted(found))
                fix = f"is the ledger of {owner}; name another database, or keep one of these site ids"
                raise InputError([Fault("store.ledger_url", self._place(), fix)])
            db.execute(OWNER.delete())
            db.execute(OWNER.insert(), [{"site": site} for site in sorted(set(sites))])

    def _place(self) -> str:
        return self._engine.url.render_as_string(hide_password=True)
