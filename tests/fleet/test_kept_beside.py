"""Accounts, phones and keys beside a ledger on PostgreSQL: moved there from a folder once, and held."""

import sqlite3
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.access.account_book import FILE, SCHEMA, TABLET
from monitor.cli.main import main
from monitor.clock import SystemClock
from monitor.engine.front_desk import held_record
from monitor.engine.link_key import KEY_FILE
from monitor.engine.service import Service
from monitor.model.actor import Actor, KnownBy
from monitor.model.errors import InputError
from monitor.model.notification import Notification
from monitor.notify.web_push import PushKey
from monitor.settings.file import load
from monitor.settings.schema import Settings
from monitor.store.contract import StoreUnavailableError
from monitor.store.fleet_book import FleetBook
from monitor.store.folder_beside import BesideInFolder
from monitor.store.ledger.schema_beside import BesideInSchema, SchemaTables
from monitor.store.ledger.sql_ledger import open_ledger
from monitor.store.phone_book import FILE as PHONES
from monitor.store.phone_book import KnownPhone, PhoneBook
from tests.access.desks import KEY, LEAD, OTHER, PHONE, PIN, SECOND, WORDS, Desk
from tests.receivers import web_receiver
from tests.test_settings import SMALL, write

KEEPER = Actor("Morgan Reyd", KnownBy.LOG_IN, ("lead",))
NOTE = Notification("n", 0.0, 1e12, "high", "t", "t", "s", "", 0.0, "", {})
BROWSER = KnownPhone("https://push.example/1", "BAAA", "AAAA", "Ann", "Android", 1.0)


@pytest.fixture
def book(database: str) -> Iterator[FleetBook]:
    book = FleetBook(database)
    yield book
    book.close()


def lived_in(folder: Path) -> tuple[Desk, str, str]:
    """A folder with people, a shared tablet, a phone and keys; a session's token and a one-time link's."""
    folder.mkdir()
    yard = Desk(folder)
    token = yard.account(pin=PIN)
    link = yard.desk.invite(SECOND, KEEPER)
    yard.desk.add_screen(TABLET, "Slip Bay tablet", KEEPER)
    yard.desk.book.close()
    beside = BesideInFolder(folder)
    beside.key(KEY_FILE, lambda: KEY)
    phones = PhoneBook(beside)
    phones.keep(BROWSER)
    PushKey(phones)
    phones.close()
    return yard, token, link


def rows(file: Path) -> dict[str, list[tuple[object, ...]]]:
    with sqlite3.connect(file) as db:
        names = [one for (one,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {name: sorted(db.execute(f"SELECT * FROM {name}"), key=repr) for name in names}


def cut_off(*_: object) -> None:
    raise OSError("cut off")


def in_database(folder: Path, url: str, phone: str = "http://127.0.0.1:9/", site: str = "yard") -> Settings:
    text = f'[store]\nledger_url = "{url}"\n[service]\ndata_dir = "{folder}"\n{SMALL}'
    text += f'[[channels]]\nid = "phone"\nkind = "webhook"\nurl = "{phone}"\n'
    return load(write(folder.parent, text.replace('"yard"', f'"{site}"')))


def folder(where: Path) -> Path:
    """A data folder with its settings beside it."""
    where.mkdir()
    return where / "data"


def test_what_a_folder_holds_is_moved_whole_and_lets_in_as_before(tmp_path: Path, book: FleetBook) -> None:
    yard, token, link = lived_in(tmp_path / "data")
    kept, phones = rows(tmp_path / "data" / FILE), rows(tmp_path / "data" / PHONES)
    push = (tmp_path / "data" / "push.key").read_bytes()
    settings = in_database(tmp_path / "data", book.ledger_url("a"))
    ledger, beside, key = held_record(settings)
    assert key == KEY
    with beside.tables(FILE, SCHEMA).read() as db:
        for name, before in {**kept, **phones}.items():
            assert sorted(map(tuple, db.execute(f"SELECT * FROM {name}")), key=repr) == before
    assert beside.key("push.key", bytes) == push
    left = {file.name for file in (tmp_path / "data").iterdir()}
    assert {f"moved-{name}" for name in (FILE, KEY_FILE, PHONES, "push.key")} <= left
    assert not {FILE, KEY_FILE, PHONES, "push.key"} & left
    yard.beside = beside
    yard.open()
    session = yard.desk.caller(token)
    assert session is not None
    assert yard.desk.log_in(LEAD, WORDS, PHONE)[1].id == LEAD
    assert yard.desk.join(link, SECOND, OTHER, PHONE)[1].id == SECOND
    with pytest.raises(InputError, match="ask for another"):
        yard.desk.join(link, SECOND, OTHER, PHONE)
    ledger.close()
    again, beside, key = held_record(in_database(tmp_path / "elsewhere", book.ledger_url("a")))
    assert key == KEY
    with beside.tables(FILE, SCHEMA).read() as db:
        assert db.execute("SELECT count(*) FROM account").fetchone()[0] == 2
    again.close()


def test_a_folder_of_before_never_replaces_the_people_beside_the_ledger(
    tmp_path: Path, book: FleetBook, caplog: pytest.LogCaptureFixture
) -> None:
    lived_in(tmp_path / "data")
    url = book.ledger_url("a")
    held_record(in_database(tmp_path / "data", url))[0].close()
    (tmp_path / "old").mkdir()
    other = Desk(tmp_path / "old")
    other.account(SECOND, OTHER)
    other.desk.book.close()
    BesideInFolder(tmp_path / "old").key(KEY_FILE, lambda: b"o" * 32)
    ledger, beside, key = held_record(in_database(tmp_path / "old", url))
    assert key == KEY
    with beside.tables(FILE, SCHEMA).read() as db:
        assert [row[0] for row in db.execute("SELECT person FROM account")] == [LEAD]
    assert "is not used, for" in caplog.text
    assert (tmp_path / "old" / FILE).exists()
    ledger.close()


def test_a_move_that_is_cut_short_changes_nothing_and_is_done_by_the_next_start(
    tmp_path: Path, book: FleetBook, monkeypatch: pytest.MonkeyPatch
) -> None:
    yard, token, _ = lived_in(tmp_path / "data")
    settings = in_database(tmp_path / "data", book.ledger_url("a"))
    with monkeypatch.context() as patch:
        patch.setattr("monitor.store.ledger.schema_beside._read", lambda *_: [])
        with pytest.raises(StoreUnavailableError, match="nothing was moved"):
            held_record(settings)
    assert (tmp_path / "data" / FILE).exists()
    with monkeypatch.context() as patch:  # dies between the database's word and the new name of the file
        patch.setattr(Path, "rename", cut_off)
        with pytest.raises(StoreUnavailableError, match="check the folder"):
            held_record(settings)
    ledger, yard.beside, key = held_record(settings)
    yard.open()
    assert key == KEY
    assert yard.desk.caller(token) is not None
    assert not (tmp_path / "data" / FILE).exists()
    ledger.close()


def test_a_command_waits_until_the_service_has_moved_a_folders_people(
    tmp_path: Path, book: FleetBook
) -> None:
    lived_in(tmp_path / "data")
    settings = in_database(tmp_path / "data", book.ledger_url("a"))
    file = str(tmp_path / "shop.toml")
    refused = CliRunner().invoke(main, ["accounts", file])
    assert (refused.exit_code, "start the service on this machine once" in refused.output) == (2, True)
    held_record(settings)[0].close()
    assert f"{LEAD}" in CliRunner().invoke(main, ["accounts", file]).output


def test_a_service_that_lost_its_ledger_lets_nobody_in_any_more(tmp_path: Path, book: FleetBook) -> None:
    (tmp_path / "data").mkdir()
    url = book.ledger_url("a")
    ledger, beside, _ = held_record(in_database(tmp_path / "data", url))
    yard = Desk(tmp_path, beside=beside)
    yard.account()
    other = open_ledger(url)
    with other._engine.connect() as db:
        db.exec_driver_sql("SELECT pg_terminate_backend(pid) FROM pg_locks WHERE locktype = 'advisory'")
    other.hold(["yard"])
    with pytest.raises(StoreUnavailableError, match="another service has taken the ledger"):
        yard.desk.log_in(LEAD, WORDS, PHONE)
    ledger.close()
    other.close()


def test_a_copy_of_a_shops_ledger_holds_nothing_that_lets_in_and_nothing_of_another_shop(
    tmp_path: Path, book: FleetBook
) -> None:
    for shop in ("a", "b"):
        ledger = open_ledger(book.ledger_url(shop))
        yard = Desk(tmp_path, beside=ledger.beside(tmp_path))
        yard.account(words=WORDS if shop == "a" else OTHER, pin=PIN)
        yard.desk.invite(SECOND, KEEPER)
        ledger.beside(tmp_path).key(KEY_FILE, lambda: KEY)
        copy = ledger.backup(tmp_path / shop)
        ledger.close()
    text = subprocess.run(
        ["pg_restore", "--data-only", "--file=-", str(copy)], capture_output=True, text=True, check=True
    ).stdout
    filled = {
        part.split(" ")[0].partition(".")[2]: part.partition("\n")[2].partition("\\.")[0]
        for part in text.split("COPY ")[1:]
    }
    assert LEAD in filled["account"]
    assert "shop_a" not in text
    for table in ("session", "invitation", "screen", "pin_miss", "beside_key"):
        assert not filled.get(table)


def test_tables_of_a_newer_version_are_left_alone(tmp_path: Path, book: FleetBook) -> None:
    ledger = open_ledger(book.ledger_url("a"))
    beside = ledger.beside(tmp_path)
    assert isinstance(beside, BesideInSchema)
    tables = beside.tables(FILE, SCHEMA)
    assert isinstance(tables, SchemaTables)
    with tables.write() as db:
        db.execute("UPDATE beside_layout SET steps = steps + 1")
    with pytest.raises(StoreUnavailableError, match="newer version"):
        beside.tables(FILE, SCHEMA)
    ledger.close()


def test_phones_are_told_by_what_was_known_of_them_while_their_database_is_away(
    tmp_path: Path, book: FleetBook, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = open_ledger(book.ledger_url("a"))
    phones = PhoneBook(ledger.beside(tmp_path))
    phones.keep(BROWSER)
    assert phones.of(["Ann"]) == [BROWSER]
    key = PushKey(phones).public

    def away(*_: object) -> None:
        raise StoreUnavailableError("the database is away")

    monkeypatch.setattr(SchemaTables, "read", away)
    monkeypatch.setattr(BesideInSchema, "key", away)
    assert phones.of(["Ann"]) == [BROWSER]
    assert PushKey(phones).public == key
    ledger.close()


def test_a_second_shop_on_one_ledger_is_refused_and_sends_nothing_of_the_first(
    tmp_path: Path, database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.store.ledger.hold.ATTEMPTS", 1)
    with web_receiver() as others_phone:
        here = in_database(folder(tmp_path / "here"), database)
        there = in_database(folder(tmp_path / "there"), database, others_phone.url, site="workshop")
        first = held_record(here)[0]
        first.commit([], entered_s=0.0, outbox=[("phone", NOTE)])
        with pytest.raises(InputError, match="in use by another running service"):
            Service(there, SystemClock())
        first.close()
        with pytest.raises(InputError, match=r"is the ledger of yard; name another database"):
            Service(there, SystemClock())
        again = held_record(here)[0]
        assert [item.state for item in again.outbox()] == ["waiting"]
        again.close()
        assert not others_phone.requests
