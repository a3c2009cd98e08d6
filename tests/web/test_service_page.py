"""The service page, and the test of a channel against a real receiver."""

import re

import pytest
import requests

from monitor.engine.page_answers import Channels
from monitor.model.actor import Actor, KnownBy
from monitor.model.event import EventKind
from monitor.notify.courier import Courier
from monitor.notify.outcome import Delivered, Outcome, Refused, Retry
from monitor.notify.trial import word
from monitor.notify.webhook import WebhookSender
from monitor.web.server import Server
from tests.ports import free_port
from tests.receivers import web_receiver
from tests.web import sample


class Fixed:
    """A clock that stands."""

    simulated = False

    def now_s(self) -> float:
        return sample.NOW_S

    def real_seconds(self, seconds: float) -> float:
        return seconds


LEAD = Actor(sample.LEAD, KnownBy.CHOSEN, ("lead",))


def channels(shop: sample.Shop, url: str) -> Channels:
    sender = WebhookSender(url, None, 2.0)
    couriers = {"phone": Courier(shop.ledger, "phone", sender)}
    return Channels(shop.deps.settings, shop.ledger, Fixed(), couriers, {"phone": sender})


@pytest.mark.parametrize(("status", "sent"), [(200, Delivered), (503, Retry), (410, Refused)])
def test_a_test_message_says_what_became_of_it_and_is_recorded(
    shop: sample.Shop, status: int, sent: type[Outcome]
) -> None:
    with web_receiver() as receiver:
        receiver.status = status
        tried = channels(shop, receiver.url).test("phone", LEAD)
        (message,) = receiver.messages
    assert isinstance(tried, sent)
    state, cause = word(tried)
    assert cause or sent is Delivered
    assert "test by Morgan Reyd" in message["text"]
    assert len(message["text"]) <= 160
    last = shop.ledger.newest(1, kinds=[EventKind.DELIVERY]).events[0]
    assert (last.who, last.body["state"], last.body["test"]) == (sample.LEAD, state, True)


def test_a_receiver_that_is_not_there_may_be_later(shop: sample.Shop) -> None:
    tried = channels(shop, f"http://127.0.0.1:{free_port()}/x").test("phone", LEAD)
    assert isinstance(tried, Retry)


def test_an_unknown_channel_is_refused_with_those_that_are_known(shop: sample.Shop) -> None:
    tried = channels(shop, "http://127.0.0.1:1/x").test("pigeon", LEAD)
    assert isinstance(tried, Refused)
    assert "use one of: phone" in tried.cause


@pytest.mark.parametrize(
    ("tried", "words"),
    [
        (Delivered("202 taken"), "<b>delivered</b>: 202 taken"),
        (Retry("no answer"), "<b>not taken now</b>: no answer"),
        (Refused("401 wrong secret"), "<b>refused</b>: 401 wrong secret"),
    ],
)
def test_the_page_tells_the_outcome_in_words(
    shop: sample.Shop, server: Server, tried: Outcome, words: str
) -> None:
    shop.tried = tried
    with requests.Session() as session:
        html = session.get(server.url + "/service", timeout=10).text
        assert "no route" in html  # what a failing channel says
        token = re.search(r'name="form_token" value="(\w+)"', html)
        assert token
        form = {"form_token": token.group(1), "channel": "phone", "who": sample.LEAD}
        assert words in session.post(server.url + "/service/test", data=form, timeout=10).text
        form["form_token"] = "forged"
        assert session.post(server.url + "/service/test", data=form, timeout=10).status_code == 422
