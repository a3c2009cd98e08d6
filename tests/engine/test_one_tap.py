"""From the link in a message on a phone to the answered warning, through the running service."""

import re
from pathlib import Path
from urllib.parse import urlsplit

import pytest
import requests

from monitor.alarms.states import Command, CommandKind
from monitor.model.actor import Actor, KnownBy
from monitor.model.picture import WarningNow
from monitor.web.frame.deps import Answering
from tests.brokers import MOSQUITTO
from tests.engine.live import LiveYard
from tests.receivers import web_receiver

pytestmark = pytest.mark.skipif(MOSQUITTO is None, reason="the mosquitto package is not installed")

ON_CALL = """
[[people]]
id = "ann"
name = "Ann"
channels = ["phone"]

[[people]]
id = "ben"
name = "Ben"
role = "reviewer"
channels = ["mail"]

[[on_call]]
site = "yard"
steps = ["ann", "ben"]
escalate_after_s = 300

[[channels]]
id = "mail"
kind = "webhook"
url = "{url}"
"""


def test_a_tap_answers_the_whole_warning_once_and_the_others_hear_of_it(tmp_path: Path) -> None:
    with (
        web_receiver() as phone,
        web_receiver() as mail,
        LiveYard(tmp_path, phone.url, extra=ON_CALL.format(url=mail.url)) as yard,
    ):
        mail.wait_for(1)  # nobody has answered, so Ben was told as well
        message = phone.messages[-1]
        assert message["data"]["person"] == "Ann"
        link = message["data"]["links"]["Answer"]
        assert yard.service.server is not None
        address = yard.service.server.url + urlsplit(link).path
        with requests.Session() as browser:
            for _ in range(2):  # as a mail scanner would
                shown = browser.get(address, timeout=10)
                assert shown.status_code == 200
                assert "Acknowledge as Ann" in shown.text
            assert warning(yard, message["subject"]).unanswered
            token = re.search(r'name="form_token" value="([^"]+)"', shown.text)
            assert token is not None
            listed = re.findall(r'name="alarms" value="([^"]+)"', shown.text.partition("<details")[0])
            assert {one.partition(" ")[2] for one in listed} <= set(message["data"]["conditions"])
            form = {"form_token": token.group(1), "who": "Ann", "alarms": listed}
            done = browser.post(address, data=form, timeout=10)
            assert (done.status_code, "Acknowledged by Ann" in done.text) == (200, True)
            again = browser.post(address, data=form, timeout=10)
            assert (again.status_code, "already acknowledged by Ann" in again.text) == (409, True)
        answered = warning(yard, message["subject"])
        assert (answered.answered_by, answered.unanswered) == ("Ann", False)
        yard.until(
            lambda: any(m["text"].startswith("Ann has answered: ") for m in mail.messages),
            "the word to Ben",
        )
        assert not any(m["text"].startswith("Ann has answered") for m in phone.messages)
        condition = yard.service.snapshot().alarms[0].condition
        ben = Actor("Ben", KnownBy.CHOSEN, ("reviewer",))
        refused = yard.service.operate(
            Answering(Command(CommandKind.SHELVE, condition, "Ben", "paint"), ben, "ben-1")
        )
        assert (refused.done, refused.text) == (False, "a reviewer may not shelve: ask engineer or lead")


def warning(yard: LiveYard, name: str) -> WarningNow:
    return next(one for one in yard.service.snapshot().warnings if one.id == name)
