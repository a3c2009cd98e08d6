"""The record is minded: what was taken away or written anew is told, and judging goes on."""

import sqlite3
import time
from contextlib import closing
from pathlib import Path

import requests
from click.testing import CliRunner, Result

from monitor.alarms.daily import proof_words
from monitor.cli.main import main
from monitor.engine.paper_records import sources_of
from monitor.engine.record_watch import VERIFY_EVERY_S
from monitor.model.event import EventKind, NewEvent
from monitor.model.notification import Notification
from monitor.notify.record_proof import with_proof
from monitor.report.proof import verified as verified_chain
from monitor.settings.schema import Settings
from monitor.store.contract import Witness
from monitor.store.opener import LEDGER_FILE, SERIES_FILE, open_ledger_for, open_series_store
from monitor.store.witness_book import WITNESS_FILE
from monitor.store.witnesses import read_witness
from tests.alarms.shop import wording
from tests.engine.live import SPEED, LiveYard
from tests.engine.yard import AnchoredClock
from tests.receivers import WebReceiver, web_receiver
from tests.store.test_witnesses import rewritten


def verified(folder: Path, *options: str) -> Result:
    return CliRunner().invoke(main, ["verify", str(folder / "shop.toml"), *options])


def test_a_ledger_that_was_taken_away_is_told_at_the_start_and_judging_goes_on(tmp_path: Path) -> None:
    clock = AnchoredClock(time.time(), SPEED)
    with web_receiver() as phone:
        with LiveYard(tmp_path, phone.url, clock=clock) as yard:
            yard.judged_up_to_now()
            data = yard.settings.service.data_dir
            assert yard.part("record").ok
        for side in ("", "-wal", "-shm"):
            (data / f"{LEDGER_FILE}{side}").unlink(missing_ok=True)
        with LiveYard(tmp_path, phone.url, clock=clock) as yard:
            part = yard.part("record")
            assert not part.ok
            assert "the ledger ends at event 0, but event" in part.text
            yard.until(lambda: yard.part("watch").ok, "the first ticks since the start")
            assert yard.service.server is not None
            answer = requests.get(f"{yard.service.server.url}/readyz", timeout=10)
            assert (answer.status_code, "record: the ledger ends" in answer.text) == (503, True)
            yard.until(lambda: yard.alarm("record_contradicted.service") is not None, "the alarm")
            yard.until(
                lambda: any("The record is not as it was" in one for one in told(phone)), "the message"
            )
            (entered,) = yard.service.ledger.events(kinds=[EventKind.RECORD])
            assert entered.body["entry"] == "contradicted"

            assert verified(tmp_path).exit_code == 1
            accepted = verified(tmp_path, "--accept", "Vera Quist", "the disk was changed")
            assert (accepted.exit_code, accepted.stderr) == (0, "")
            yard.service.record_watch.look(yard.clock.now_s())
            assert yard.part("record").ok
        assert verified(tmp_path).exit_code == 0


def test_an_empty_ledger_beside_stored_readings_is_told_even_where_nothing_was_kept(tmp_path: Path) -> None:
    clock = AnchoredClock(time.time(), SPEED)
    with web_receiver() as phone:
        with LiveYard(tmp_path, phone.url, clock=clock) as yard:
            yard.judged_up_to_now()
            data = yard.settings.service.data_dir
            yard.until(lambda: yard.service.series.last_order() > 0, "a reading")
        for file in (*data.glob(f"{LEDGER_FILE}*"), data / WITNESS_FILE):
            file.unlink()
        with closing(sqlite3.connect(data / SERIES_FILE)) as db:
            db.execute("DELETE FROM witness")
            db.commit()
        with LiveYard(tmp_path, phone.url, clock=clock) as yard:
            assert "the ledger was empty beside stored readings" in yard.part("record").text
            yard.judged_up_to_now()
            assert verified(tmp_path, "--accept", "Vera Quist", "the old disk is gone").exit_code == 0
            yard.service.record_watch.look(yard.clock.now_s())
            assert yard.part("record").ok


def told(phone: WebReceiver) -> list[str]:
    return [str(message.get("text")) for message in phone.messages]


def test_a_ledger_written_anew_as_a_whole_is_told_and_verify_names_where(tmp_path: Path) -> None:
    clock = AnchoredClock(time.time(), SPEED)
    with web_receiver() as phone:
        with LiveYard(tmp_path, phone.url, clock=clock) as yard:
            yard.judged_up_to_now()
            data, head = yard.settings.service.data_dir, yard.service.ledger.head()
        backed_up = CliRunner().invoke(
            main, ["backup", str(tmp_path / "shop.toml"), str(tmp_path / "copies")]
        )
        assert backed_up.exit_code == 0, backed_up.stderr
        (copy,) = (tmp_path / "copies").iterdir()
        assert "is in the record as it was" in verified(tmp_path, "--backup", str(copy)).stdout
        assert says_on_paper(yard.settings)
        rewritten(f"sqlite:///{data / LEDGER_FILE}", 1)
        assert not says_on_paper(yard.settings)
        given = verified(tmp_path, "--witness", f"{head.number}:{head.hash[:16]}")
        assert given.exit_code == 1
        assert "is not the one that was witnessed; it was written anew" in given.stderr
        beside = verified(tmp_path, "--backup", str(copy))
        assert f"Broken against the backup {copy} at event 1: " in beside.stderr
        assert "Kept beside it: event" in beside.stderr
        with LiveYard(tmp_path, phone.url, clock=clock) as yard:
            assert "the ledger was written anew or replaced" in yard.part("record").text


def says_on_paper(settings: Settings) -> bool:
    """Whether a record that the command makes says that the chain holds."""
    series, ledger = open_series_store(settings), open_ledger_for(settings)
    try:
        sources = sources_of(settings, (series, ledger), 1_788_920_000.0, lambda *_: ())
        return verified_chain(ledger, sources.witnesses()).holds
    finally:
        series.close()
        ledger.close()


def test_one_event_edited_in_place_is_told_while_the_service_runs(tmp_path: Path) -> None:
    with web_receiver() as phone, LiveYard(tmp_path, phone.url) as yard:
        yard.judged_up_to_now()
        record = yard.service.record_watch
        record.mind(yard.clock.now_s())
        assert yard.part("record").ok
        with closing(sqlite3.connect(yard.settings.service.data_dir / LEDGER_FILE)) as db:
            db.execute("DROP TRIGGER event_no_update")
            db.execute("UPDATE event SET who = 'nobody' WHERE number = 1")
            db.commit()
        record.mind(yard.clock.now_s() + VERIFY_EVERY_S)
        assert "event 1 was changed after it was written" in yard.part("record").text
        assert record.contradicted() == 1.0
        yard.until(lambda: yard.alarm("record_contradicted.service") is not None, "the alarm")
        assert yard.part("watch").ok


def test_a_seal_that_is_none_any_more_is_told_and_does_not_stop_the_start(tmp_path: Path) -> None:
    clock = AnchoredClock(time.time(), SPEED)
    with web_receiver() as phone:
        with LiveYard(tmp_path, phone.url, clock=clock) as yard:
            yard.judged_up_to_now()
            new = NewEvent(EventKind.SEAL, "readings/2026-09-07", 1.0, "nobody", {"readings": "none"})
            yard.service.ledger.commit([new], entered_s=1.0)
        with LiveYard(tmp_path, phone.url, clock=clock) as yard:
            yard.judged_up_to_now()
            assert "is no seal any more" in yard.part("record").text


def test_a_daily_word_carries_the_records_end_within_its_length() -> None:
    words = proof_words(wording(), "{witness}")
    head = Witness(1_048_213, "a3f19c2e77b041de" + "7" * 48)
    note = Notification(
        "k", 0.0, 1.0, "low", "All well", "All well. " * 12, "d", "", 0.0, "", {"proof": words}
    )
    said = with_proof(note, lambda: head).text
    assert len(said) <= 160
    assert read_witness(said.rpartition("proof ")[2]) == Witness(head.number, head.hash[:16])
    other = Notification("k", 0.0, 1.0, "low", "Wet", "Wet.", "d", "", 0.0, "", {})
    assert with_proof(other, lambda: head) is other
