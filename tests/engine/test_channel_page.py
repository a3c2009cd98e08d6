"""What the page says of a channel is what became of its messages."""

from dataclasses import replace
from pathlib import Path

from tests.engine.live import LiveYard
from tests.notify.test_senders import NOTE
from tests.receivers import web_receiver


def test_a_channel_is_said_to_deliver_once_it_has_and_not_while_nothing_gets_through(tmp_path: Path) -> None:
    def post(yard: LiveYard, key: str) -> None:
        now_s = yard.clock.now_s()
        note = replace(NOTE, key=key, created_s=now_s, expires_s=now_s + 86_400.0)
        yard.service.ledger.commit([], entered_s=now_s, outbox=[("phone", note)])

    with web_receiver() as phone, LiveYard(tmp_path, phone.url) as yard:
        assert yard.part("channel phone").text == "nothing to send since the start"
        phone.status, phone.headers = 503, {"retry-after": "\u00b2"}
        post(yard, "first")
        yard.until(lambda: not yard.part("channel phone").ok, "the page says so")
        assert yard.part("channel phone").text == "not delivering: answered 503"
        phone.status, phone.headers = 404, {}
        yard.until(lambda: "404" in yard.part("channel phone").text, "the page says why")
        phone.status = 200
        yard.until(lambda: yard.part("channel phone").text == "delivering", "the page says that it works")
        assert yard.part("channel phone").ok
