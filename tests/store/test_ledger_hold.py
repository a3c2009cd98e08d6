"""A ledger on PostgreSQL serves one running service of one shop; the second is refused in words."""

import pytest

from monitor.model.errors import InputError
from monitor.model.notification import Notification
from monitor.store.ledger.sql_ledger import open_ledger


def _note(key: str) -> Notification:
    return Notification(key, 0.0, 1e12, "high", "t", "t", "s", "", 0.0, "", {})


def test_two_shops_on_one_postgresql_are_kept_apart(postgresql_url: str) -> None:
    first, second = open_ledger(postgresql_url), open_ledger(postgresql_url)
    try:
        first.hold(["slipway"])
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("monitor.store.ledger.hold.ATTEMPTS", 1)
            with pytest.raises(InputError, match="in use by another running service"):
                second.hold(["workshop"])
        first.commit([], entered_s=0.0, outbox=[("phone", _note("a"))])
        first.close()  # the server may see that a moment later
        with pytest.raises(InputError, match="is the ledger of slipway"):
            second.hold(["workshop"])
        second.hold(["slipway", "workshop"])
        assert len(second.outbox()) == 1
    finally:
        first.close()
        second.close()


def test_a_ledger_on_postgresql_is_held_again_after_its_connection_was_lost(postgresql_url: str) -> None:
    ledger = open_ledger(postgresql_url)
    other = open_ledger(postgresql_url)
    try:
        ledger.hold(["slipway"])
        with other._engine.connect() as db:
            db.exec_driver_sql(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE pid <> pg_backend_pid()"
            )
        ledger.commit([], entered_s=0.0, outbox=[("phone", _note("b"))])
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("monitor.store.ledger.hold.ATTEMPTS", 1)
            with pytest.raises(InputError, match="in use by another running service"):
                other.hold(["slipway"])
    finally:
        ledger.close()
        other.close()
