"""Text messages through gammu: Debian's own with its simulated phone, and a program that misbehaves."""

import os
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.notify.outcome import Delivered, Partly, Refused, Retry
from monitor.notify.sms import NOT_INSTALLED, SmsSender, body
from monitor.settings.schema import Channel
from tests.notify.test_message_links import NOTES, WET, parts
from tests.notify.test_senders import NOW_S

GAMMU = os.environ.get("DRYSHIFT_GAMMU") or shutil.which("gammu")
ONE, TWO = "+441632960001", "+441632960002"  # Ofcom's numbers for drama


def channel(folder: Path, *to: str, timeout_s: float = 20.0) -> Channel:
    """The simulated phone of gammu, and how it is reached."""
    config = folder / "gammurc"
    phone = folder / "phone"
    phone.mkdir(exist_ok=True)
    config.write_text(f"[gammu]\nconnection = none\nmodel = dummy\ndevice = {phone}\n", encoding="utf-8")
    return Channel(id="modem", kind="sms", gammu_config=config, to=to or (ONE,), timeout_s=timeout_s)


def program(folder: Path, script: str) -> str:
    """A program in gammu's place that writes down what it was asked, and then does what the script says."""
    file = folder / "program"
    file.write_text(f'#!/bin/sh\nprintf "%s\\n" "$@" >>{folder}/asked\n{script}\n', encoding="utf-8")
    file.chmod(0o755)
    return str(file)


@pytest.mark.skipif(GAMMU is None, reason="gammu is not installed, and DRYSHIFT_GAMMU names none")
@pytest.mark.parametrize("note", [WET, max(NOTES, key=lambda one: len(one.text))])
def test_debians_gammu_sends_it_in_one_or_two_texts(tmp_path: Path, note: object) -> None:
    assert GAMMU is not None
    assert isinstance(SmsSender(channel(tmp_path, ONE, TWO), GAMMU).send(note, NOW_S), Delivered)  # type: ignore[arg-type]


def test_every_message_with_its_link_fits_two_texts() -> None:
    assert max(parts(body(note, note.created_s)) for note in NOTES) <= 2


def test_the_whole_text_reaches_the_program_as_it_is_whatever_stands_in_it(tmp_path: Path) -> None:
    hostile = replace(WET, text="$(reboot) `id` \"; rm -rf / #' -c /etc/passwd")
    sender = SmsSender(channel(tmp_path, ONE), program(tmp_path, "exit 0"))
    assert isinstance(sender.send(hostile, hostile.created_s), Delivered)
    asked = (tmp_path / "asked").read_text(encoding="utf-8")
    assert asked.endswith(f"-textutf8\n{body(hostile, hostile.created_s)}\n")
    assert f"TEXT\n{ONE}\n" in asked


def test_a_modem_that_fails_is_tried_again_and_who_was_missed_alone(tmp_path: Path) -> None:
    refusing = program(tmp_path, f'case "$*" in *{TWO}*) echo "No network"; exit 4;; esac')
    outcome = SmsSender(channel(tmp_path, ONE, TWO), refusing).send(WET, WET.created_s)
    assert isinstance(outcome, Partly)
    assert outcome.reached == (ONE,)
    assert outcome.missed == {TWO: "the modem's program ended with 4: No network"}
    alone = replace(WET, data={**WET.data, "to": [TWO]})
    assert isinstance(SmsSender(channel(tmp_path, ONE, TWO), refusing).send(alone, WET.created_s), Retry)
    gone = replace(WET, data={**WET.data, "to": ["+441632960009"]})
    assert isinstance(SmsSender(channel(tmp_path, ONE, TWO), refusing).send(gone, WET.created_s), Refused)


def test_a_modem_that_hangs_ends_within_the_channels_time_for_all(tmp_path: Path) -> None:
    hanging = program(tmp_path, "exec sleep 600")
    outcome = SmsSender(channel(tmp_path, ONE, TWO, timeout_s=0.5), hanging).send(WET, WET.created_s)
    assert isinstance(outcome, Retry)
    assert (tmp_path / "asked").read_text(encoding="utf-8").count("sendsms") == 1  # no time for the second


def test_without_gammu_the_channel_says_what_to_install(tmp_path: Path) -> None:
    sender = SmsSender(channel(tmp_path), str(tmp_path / "none"))
    assert sender.send(WET, WET.created_s) == Refused(NOT_INSTALLED)


@pytest.mark.parametrize("number", ["-c", "0800 SHOP", "+", "1234567890123456", ""])
def test_what_is_no_telephone_number_is_a_fault_of_the_settings(tmp_path: Path, number: str) -> None:
    with pytest.raises(ValueError, match="no telephone number"):
        channel(tmp_path, number)
