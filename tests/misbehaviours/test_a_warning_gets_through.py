"""Whatever the first channel's receiver does, a high warning is with somebody within minutes."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.notify.courier import Courier
from monitor.notify.email import EmailSender
from monitor.notify.outcome import Delivered, Sender
from monitor.notify.webhook import WebhookSender
from monitor.store.ledger.sql_ledger import SqlLedger, open_ledger
from tests.misbehaviours.channels import mail_server
from tests.misbehaviours.listed import HTTP, TRANSPORT, smtp
from tests.misbehaviours.servers import Misbehaviour, misbehaving
from tests.notify.test_courier import Scripted
from tests.notify.test_senders import NOTE, NOW_S

SOON_S = 240  # simulated
TRIED_S = 0.3
NAMES = {
    *("never accepts", "says nothing", "closes at once", "drips", "a line without end"),
    *("answers 302", "answers 401", "answers 404", "answers 500", "a head that drips", "a head without end"),
    *("503, wishes \u00b2", "503, wishes 400 digits", "503, wishes the last year", "429, wishes a day"),
}
MAILS = (
    smtp("RCPT", "450"),
    smtp("AUTH", "454"),
    smtp("AUTH", "535"),
    smtp("MAIL", "452"),
    smtp("DATA", "drips"),
)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[SqlLedger]:
    opened = open_ledger(f"sqlite:///{tmp_path / 'ledger.sqlite'}")
    yield opened
    opened.close()


def told(ledger: SqlLedger, first: Sender) -> tuple[Courier, Scripted]:
    """Three warnings over the first channel for some simulated minutes, and who heard them on the second."""
    for n in range(3):
        ledger.commit([], entered_s=NOW_S, outbox=[("first", replace(NOTE, key=f"warning/{n}"))])
    second = Scripted(Delivered())
    couriers = [Courier(ledger, "first", first, "second"), Courier(ledger, "second", second)]
    for second_s in range(SOON_S):
        for courier in couriers:
            courier.run(NOW_S + second_s)
    return couriers[0], second


@pytest.mark.parametrize("how", [h for h in (*TRANSPORT, *HTTP) if h.name in NAMES], ids=lambda how: how.name)
def test_no_receiver_keeps_a_high_warning_from_everybody(ledger: SqlLedger, how: Misbehaviour) -> None:
    with misbehaving(how) as server:
        first, second = told(ledger, WebhookSender(f"http://127.0.0.1:{server.port}/", None, TRIED_S))
        assert server.asked <= 3 * SOON_S / 5
    assert set(second.sent) == {"warning/0", "warning/1", "warning/2"}
    state = first.state()
    assert (state.failing_since_s, state.delivered) == (NOW_S, False)
    assert state.last_error


@pytest.mark.parametrize("how", MAILS, ids=lambda how: how.name)
def test_no_mail_server_keeps_a_high_warning_from_everybody(ledger: SqlLedger, how: Misbehaviour) -> None:
    with misbehaving(how) as server:
        server_of = mail_server(server.port, "smtp").model_copy(update={"timeout_s": TRIED_S})
        first, second = told(ledger, EmailSender(server_of))
    assert set(second.sent) == {"warning/0", "warning/1", "warning/2"}
    assert first.state().failing_since_s is not None
