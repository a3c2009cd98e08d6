"""Who may answer a warning, attacked over the wire against the running service."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import pytest
import requests

from monitor.access.desk import Browser
from monitor.model.actor import Actor, KnownBy
from monitor.model.event import EventKind
from tests.access.desks import OTHER, WORDS
from tests.brokers import MOSQUITTO
from tests.engine.live import LiveYard
from tests.engine.test_one_tap import ON_CALL
from tests.receivers import WebReceiver, web_receiver

pytestmark = pytest.mark.skipif(MOSQUITTO is None, reason="the mosquitto package is not installed")

TOKEN = "a token for tests only, of 32 signs"
BOARD = f'''
[[programs]]
id = "board"
role = "reviewer"
token = "{TOKEN}"
'''
NAME = "body_wet.plate-keel"


@pytest.fixture(scope="module", params=["accounts", "names"])
def yard(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[LiveYard, WebReceiver]]:
    """A yard with a warning that Ann was told of, then Ben, a reviewer; with accounts and without."""
    folder: Path = tmp_path_factory.mktemp("yard")
    changes = {"[web]": f'[web]\nlog_in = "{request.param}"'}
    with (
        web_receiver() as phone,
        web_receiver() as mail,
        LiveYard(folder, phone.url, extra=BOARD + ON_CALL.format(url=mail.url), changes=changes) as live,
    ):
        if live.service.desk is not None:
            first = live.service.desk.first_link()
            assert first is not None
            ann = live.service.desk.join(first, "ann", WORDS, Browser("192.0.2.1"))[1]
            ben = live.service.desk.invite("ben", Actor(ann.name, KnownBy.LOG_IN))
            live.service.desk.join(ben, "", OTHER, Browser("192.0.2.2"))
        mail.wait_for(1)
        live.until(lambda: any(a.condition == NAME for a in live.service.snapshot().alarms), "the alarm")
        yield live, phone


def url(yard: LiveYard) -> str:
    assert yard.service.server is not None
    return yard.service.server.url


def form(browser: requests.Session, address: str) -> dict[str, str]:
    page = browser.get(address, timeout=20).text
    token = re.search(r'name="form_token" value="([^"]+)"', page)
    assert token is not None
    return {"form_token": token.group(1)}


@contextmanager
def browsing(yard: LiveYard, person: str | None) -> Iterator[requests.Session]:
    """A browser on which a person is logged in, where there are accounts; None: nobody is."""
    with requests.Session() as browser:
        if yard.service.desk is not None and person is not None:
            words = {"ann": WORDS, "ben": OTHER}[person]
            given = form(browser, url(yard) + "/log-in") | {"who": person, "password": words}
            assert browser.post(url(yard) + "/log-in", data=given, timeout=20).status_code == 200
        yield browser


def state(yard: LiveYard) -> str:
    return next(a.state for a in yard.service.snapshot().alarms if a.condition == NAME)


def records(yard: LiveYard) -> list[tuple[str, str, str]]:
    commands = yard.service.ledger.events(kinds=[EventKind.ALARM_COMMAND])
    return [(e.who, str(e.body["action"]), str(e.body["known_by"])) for e in commands]


@pytest.mark.parametrize("action", ["take_out_of_service", "shelve", "acknowledge", "return_to_service"])
@pytest.mark.parametrize("who", ["ben", "BEN", " bEN ", "Somebody", "dryshift", "lead", "Ann\u200b"])
def test_no_spelling_and_no_unknown_name_sets_an_alarm_aside(
    yard: tuple[LiveYard, WebReceiver], who: str, action: str
) -> None:
    live, _ = yard
    if action == "acknowledge" and who.strip().lower() == "ben":
        action = "reset"  # a reviewer may acknowledge
    on_record = records(live)
    with browsing(live, None if who == "Somebody" else "ben") as browser:
        closed = live.service.desk is not None and who == "Somebody"
        given = form(browser, url(live) + ("/log-in" if closed else "/alarms"))
        given |= {"who": who, "action": action, "alarms": f" {NAME}", "key": "attack-1"}
        given |= {"reason": "quiet", "hours": "4"}
        answer = browser.post(url(live) + "/alarms", data=given, timeout=20)
    if live.service.desk is None:
        assert answer.status_code == 409
        assert ("a reviewer may not" in answer.text) != ("is not known as one of this shop" in answer.text)
    elif who.strip().lower() == "ben":
        assert (answer.status_code, "a reviewer may not" in answer.text) == (409, True)
    else:
        assert answer.status_code == (401 if who == "Somebody" else 422)
    assert (state(live) in {"shelved", "out_of_service"}, records(live)) == (False, on_record)


def test_a_program_without_a_token_or_with_a_smaller_role_changes_nothing(
    yard: tuple[LiveYard, WebReceiver],
) -> None:
    live, _ = yard
    on_record = records(live)
    address = f"{url(live)}/api/alarms/{NAME}"
    aside = {"who": "Ann", "key": "attack-2", "action": "take_out_of_service", "reason": "quiet"}
    assert requests.post(address, json=aside, timeout=20).status_code == 401
    headers = {"Authorization": f"Bearer {TOKEN}"}
    refused = requests.post(address, json=aside, headers=headers, timeout=20)
    assert refused.status_code == 409
    assert "a reviewer may not take out of service" in refused.text
    assert (state(live) == "out_of_service", records(live)) == (False, on_record)


def test_a_link_is_taken_by_its_person_only_and_answers_once(yard: tuple[LiveYard, WebReceiver]) -> None:
    live, phone = yard
    links = next(m["data"]["links"] for m in reversed(phone.messages) if m["data"].get("links"))
    address = url(live) + urlsplit(links["Answer"]).path
    with browsing(live, "ann") as browser:
        page = browser.get(address, timeout=20).text
        listed = [one for one in re.findall(r'name="alarms" value="([^"]+)"', page) if one.endswith(NAME)]
        given = {
            **form(browser, address),
            "alarms": [*dict.fromkeys(listed)],
            "hours": "4",
            "reason": "paint",
        }
        given |= {"action": "shelve"}
        given |= {"tap": "a" * 32, "ago": "3600"}  # it had waited on the phone
        for other in ("Ben", "ben", "Somebody"):
            taken = browser.post(address, data={**given, "who": other}, timeout=20)
            assert taken.status_code == 422
            assert "this link was sent to Ann and answers as Ann" in taken.text
        assert state(live) != "shelved"
        for _ in range(2):  # the first answer was lost on its way back, so the same tap comes again
            assert browser.post(address, data=given, timeout=20).status_code == 200
        assert state(live) == "shelved"
        off = {**form(browser, url(live) + "/alarms"), "who": "ann", "key": "ann-0001"}
        off |= {"action": "unshelve", "alarms": f" {NAME}"}
        assert browser.post(url(live) + "/alarms", data=off, timeout=20).status_code == 200
        assert state(live) != "shelved"
        again = browser.post(address, data={**given, "tap": "b" * 32}, timeout=20)
        assert (again.status_code, "already shelved by Ann with this link" in again.text) == (409, True)
    assert state(live) != "shelved"
    proved = "name_chosen" if live.service.desk is None else "log_in"
    assert records(live)[-2:] == [("Ann", "shelve", "signed_link"), ("Ann", "unshelve", proved)]
    told = live.service.ledger.events(kinds=[EventKind.ALARM_COMMAND])[-2]
    assert told.time_s == float(listed[0].split()[0])  # as long ago as can be: when the trouble began
    assert live.service.ledger.verify().broken_at is None
