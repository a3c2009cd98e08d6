"""Nothing is shown as safe that was not judged on evidence: what is silent, gone, assumed or not yet."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.cli import main
from monitor.errors import InputError
from monitor.things.entries import Opened
from monitor.values import Level
from monitor.web.shelf import things
from tests.service.evidence_yard import EvidenceYard, steady
from tests.service.yard import START_S

DRY = steady(12.0, 0.50)
RODS = Opened("Rods 7", "e7018", "slip-bay")


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[EvidenceYard]:
    made = EvidenceYard(tmp_path)
    yield made
    made.close()


def declared(opened_s: float) -> str:
    when = datetime.fromtimestamp(opened_s, UTC).isoformat()
    return (
        '\n[[packages]]\nid = "rods-7"\nzone = "slip-bay"\nname = "Rods 7"\n'
        f'consumable = "{RODS.consumable}"\nopened_at = {when}\n'
    )


def test_a_package_declared_as_opened_in_the_future_is_there_and_not_vouched_for(yard: EvidenceYard) -> None:
    yard.stops()
    yard.settings_are(declared(START_S + 86_400.0))
    yard.goes_on(1.0, bay_1=DRY)
    rods = yard.package("rods-7")
    assert rods.level is Level.UNKNOWN
    assert "has not come" in rods.verdict
    assert "when it was opened" in rods.action
    known = things(yard.keeper._settings, yard.ledger, yard.seen(), yard.now_s)
    assert known["rods-7"].level is Level.UNKNOWN  # so its label opens its page, not a form for a new one


def test_the_check_of_settings_names_a_package_opened_ahead_of_now(yard: EvidenceYard) -> None:
    text = yard.file.read_text(encoding="utf-8")
    yard.file.write_text(text + declared(32_503_680_000.0), encoding="utf-8")  # the year 3000
    result = CliRunner().invoke(main, ["check", str(yard.file)])
    assert result.exit_code == 1
    assert "packages.rods-7.opened_at" in result.stderr
    assert "has not come yet" in result.stderr


def test_an_entry_about_the_future_is_refused(yard: EvidenceYard) -> None:
    yard.goes_on(0.5, bay_1=DRY)
    with pytest.raises(InputError, match="future"):
        yard.enters("rods-7", RODS, hours_ago=-1.0)


def digests(notes) -> list:
    return [note for note in notes if note.data.get("why") == "digest"]


def test_after_a_stop_the_daily_word_waits_until_the_shop_was_judged_anew(yard: EvidenceYard) -> None:
    """A week's stop over the daily hour: nothing is said before a sensor was heard."""
    morning = (datetime.fromisoformat("2026-09-09T06:00+01:00").timestamp() - START_S) / 3600.0
    yard.goes_on(2.0, bay_1=DRY)
    yard.enters("rods-7", RODS)
    yard.goes_on(1.0, bay_1=DRY)
    yard.stops(7 * 24.0 + morning - 3.0 + 0.2)  # back twelve minutes after the hour of the daily word
    before = {item.notification.key for item in _outbox(yard)}
    yard.starts()
    assert not [i for i in _outbox(yard) if i.notification.key not in before]
    assert not digests(yard.goes_on(0.1))  # no sensor has spoken yet
    (note,) = digests(yard.goes_on(0.1, bay_1=DRY))
    assert "All well" not in note.title
    assert "Open" in note.title  # the rods have been over for days


def test_after_a_stop_sensors_that_stay_silent_are_not_said_to_report(yard: EvidenceYard) -> None:
    morning = (datetime.fromisoformat("2026-09-09T06:00+01:00").timestamp() - START_S) / 3600.0
    yard.goes_on(3.0, bay_1=DRY)
    yard.stops(7 * 24.0 + morning - 3.0 + 0.2)
    yard.starts()
    (note,) = digests(yard.goes_on(1.0))
    assert "All well" not in f"{note.title} {note.text}"
    assert "Not believed: 1 of 1" in note.text
    assert "Not known" in note.text


def _outbox(yard: EvidenceYard) -> list:
    return yard.ledger.outbox(limit=10_000)
