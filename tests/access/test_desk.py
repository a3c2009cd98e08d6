"""Who is let in and who is not: links, log-ins, PINs, sessions and what ends them, each attacked."""

import sqlite3
import threading
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.access.account_book import FILE, TABLET, AccountBook, Screen
from monitor.access.desk import Browser, TooManyTriesError
from monitor.access.passwords import BusyError, Passwords, check_password, check_pin
from monitor.access.tries import Tries
from monitor.model.actor import Actor, KnownBy
from monitor.model.errors import InputError
from monitor.store.folder_beside import BesideInFolder
from monitor.store.ledger.sql_ledger import open_ledger
from tests.access.desks import KEY, LEAD, OTHER, PHONE, PIN, REVIEWER, RULES, SECOND, WORDS, Desk
from tests.store import servers

KEEPER = Actor("Morgan Reyd", KnownBy.LOG_IN, ("lead",))
HOUR_S, DAY_S = 3600.0, 86_400.0


@pytest.fixture(params=["folder", "postgresql"])
def yard(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Desk]:
    """A desk over each place where accounts may lie: the same is asked of both."""
    if request.param == "folder":
        yard = Desk(tmp_path)
        yield yard
        yard.desk.book.close()
        return
    ledger = open_ledger(servers.emptied(request.getfixturevalue("postgresql_server")))
    yield Desk(tmp_path, beside=ledger.beside(tmp_path))
    ledger.close()


@pytest.fixture
def filed(tmp_path: Path) -> Iterator[Desk]:
    """A desk whose file is looked into."""
    yard = Desk(tmp_path)
    yield yard
    yard.desk.book.close()


def stranger(n: int) -> Browser:
    return Browser(f"203.0.113.{n}", device="another device")


# -- one-time links ------------------------------------------------------------------------------------------


def test_the_first_link_makes_one_account_and_then_nothing_any_more(yard: Desk) -> None:
    link = yard.desk.first_link()
    assert link is not None
    token, person = yard.desk.join(link, LEAD, WORDS, PHONE)
    session = yard.desk.caller(token)
    assert (person.id, session and session.person) == (LEAD, LEAD)
    with pytest.raises(InputError, match="ask for another"):
        yard.desk.join(link, SECOND, OTHER, stranger(1))
    assert yard.desk.first_link() is None
    assert set(yard.desk.book.accounts()) == {LEAD}
    assert yard.entries() == [("account_made", "one_time_link"), ("logged_in", "log_in")]


def test_a_second_first_link_voids_the_one_before_and_an_account_voids_both(yard: Desk) -> None:
    before, after = yard.desk.first_link(), yard.desk.first_link()
    assert before is not None
    assert after is not None
    with pytest.raises(InputError, match="ask for another"):
        yard.desk.join(before, LEAD, WORDS, PHONE)
    yard.desk.join(after, LEAD, WORDS, PHONE)
    with pytest.raises(InputError, match="ask for another"):
        yard.desk.join(after, SECOND, OTHER, stranger(1))


def test_the_first_link_is_for_who_may_keep_accounts(yard: Desk) -> None:
    link = yard.desk.first_link()
    assert link is not None
    with pytest.raises(InputError, match="not for you"):
        yard.desk.join(link, REVIEWER, WORDS, PHONE)
    assert not yard.desk.book.has_accounts()


def test_a_link_is_too_old_after_its_time(yard: Desk) -> None:
    link = yard.desk.first_link()
    assert link is not None
    yard.now_s += RULES.first_link + 1.0
    with pytest.raises(InputError, match="ask for another"):
        yard.desk.join(link, LEAD, WORDS, PHONE)
    yard.account()
    link = yard.desk.invite(SECOND, KEEPER)
    yard.now_s += RULES.invitation + 1.0
    assert yard.desk.invitation(link) is None


def test_an_invitation_is_used_once_even_by_eight_at_the_same_moment(yard: Desk) -> None:
    yard.account()
    link = yard.desk.invite(SECOND, KEEPER)
    ready = threading.Barrier(8)

    def join(n: int) -> str:
        ready.wait()
        try:
            return yard.desk.join(link, SECOND, f"{OTHER} {n} larch", stranger(n))[0]
        except (InputError, BusyError):
            return ""

    with ThreadPoolExecutor(8) as pool:
        tokens = [token for token in pool.map(join, range(8)) if token]
    assert len(tokens) == 1
    assert len(yard.desk.book.sessions(SECOND, yard.now_s)) == 1


def test_an_invitation_is_for_the_person_it_names_whatever_the_form_says(yard: Desk) -> None:
    yard.account()
    _, person = yard.desk.join(yard.desk.invite(REVIEWER, KEEPER), LEAD, OTHER, stranger(1))
    assert person.id == REVIEWER
    assert yard.desk.log_in(LEAD, WORDS, PHONE)[1].id == LEAD


def test_a_reset_link_sets_another_password_and_ends_every_session(yard: Desk) -> None:
    stolen = yard.account()
    yard.account(SECOND, OTHER)
    token, _ = yard.desk.join(yard.desk.invite(LEAD, KEEPER), LEAD, "saddle quartz lemon bridge", PHONE)
    assert yard.desk.caller(stolen) is None
    assert yard.desk.caller(token) is not None
    with pytest.raises(InputError, match="do not go together"):
        yard.desk.log_in(LEAD, WORDS, PHONE)
    assert ("reset_link", "log_in") in yard.entries()
    assert ("password_reset", "one_time_link") in yard.entries()


def test_no_token_stands_in_the_file(filed: Desk) -> None:
    session = filed.account(pin=PIN)
    link = filed.desk.invite(SECOND, KEEPER)
    screen = filed.desk.add_screen(TABLET, "Bay", KEEPER)
    filed.desk.book.close()
    kept = b"".join(file.read_bytes() for file in filed.folder.iterdir())
    assert [secret.encode() in kept for secret in (session, link, screen, WORDS)] == [False] * 4
    assert b"$argon2id$v=19$m=19456,t=2,p=1$" in kept


# -- passwords -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("password", "why"),
    [
        ("short words", "use 12 to 128"),
        ("x" * 129, "use 12 to 128"),
        ("passwordpassword", "soon guessed"),
        ("Morgan Reyd dryshift", "names that stand on these pages"),
        ("aaaaaaaaaaaaaaaa", "soon guessed"),
        ("ferrymoor slipway", "names that stand"),
    ],
)
def test_what_is_soon_guessed_is_no_password(password: str, why: str) -> None:
    with pytest.raises(InputError, match=why):
        check_password(RULES, password, ["Morgan", "Reyd", "dryshift", "Ferrymoor", "Slipway"])


LONG = "kettle moss nineteen rope and an anvil that nobody ever lifted twice in one rainy season, turnips"


@pytest.mark.parametrize(
    "password", [WORDS, "Über Öl und Wasser geht nichts", "🌧🔧⚓🧲🪝🛶🧯🪣🧱🪵🧵🪡", LONG]
)
def test_any_signs_and_a_long_row_of_them_are_a_password(yard: Desk, password: str) -> None:
    yard.account(words=password)
    assert yard.desk.log_in(LEAD, password, PHONE)[1].id == LEAD
    with pytest.raises(InputError):
        yard.desk.log_in(LEAD, password[:-1], PHONE)


def test_the_same_signs_from_another_keyboard_are_the_same_password(yard: Desk) -> None:
    yard.account(words="caf\u00e9 anvil turnip moss")
    assert yard.desk.log_in(LEAD, "cafe\u0301 anvil turnip moss", PHONE)[1].id == LEAD


@pytest.mark.parametrize(
    "pin", ["", "123", "1234", "4321", "0000", "1212", "1984", "2026", "12a4", "٣٤٥٦", "1" * 13]
)
def test_a_pin_that_anybody_tries_first_is_refused(pin: str) -> None:
    with pytest.raises(InputError, match="pin"):
        check_pin(RULES, pin)


# -- log-in --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("who", ["Morgan Reyd", "morgan reyd", "LEAD-1", "  Morgan   Reyd "])
def test_a_person_logs_in_by_name_or_id_however_it_is_spelt(yard: Desk, who: str) -> None:
    yard.account()
    token, person = yard.desk.log_in(who, WORDS, PHONE)
    session = yard.desk.caller(token)
    assert (person.id, session and session.known_by) == (LEAD, KnownBy.LOG_IN)


def test_an_unknown_name_is_told_the_same_and_costs_the_same_hash(
    yard: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    yard.account()
    held: list[bool] = []
    real = Passwords.hold

    def counted(self: Passwords, kept: str | None, password: str, lane: str) -> bool:
        held.append(kept is not None)
        return real(self, kept, password, lane)

    monkeypatch.setattr(Passwords, "hold", counted)
    said = []
    for n, who in enumerate(("Morgan Reyd", "T. Ostrander", "nobody at all", "")):
        with pytest.raises(InputError) as refusal:
            yard.desk.log_in(who, "wrong wrong wrong", stranger(n))
        said.append(str(refusal.value))
    assert held == [True, False, False, False]  # each was hashed, against a hash that nobody's password has
    assert len(set(said)) == 1


def test_a_log_in_always_begins_a_new_session(yard: Desk) -> None:
    tokens = {yard.account(), *(yard.desk.log_in(LEAD, WORDS, PHONE)[0] for _ in range(3))}
    assert len(tokens) == 4
    assert all(len(token) >= 43 for token in tokens)  # 256 bits
    assert yard.desk.caller("planted-by-somebody-else-and-long-enough") is None


def test_guessing_is_slowed_and_a_known_device_gets_in_all_the_same(yard: Desk) -> None:
    yard.account()
    phone = yard.known(LEAD)
    outcomes = Counter[str]()
    for n in range(200):
        try:
            yard.desk.log_in(LEAD, f"guess number {n}", stranger(n))
        except TooManyTriesError:
            outcomes["later"] += 1
        except InputError:
            outcomes["wrong"] += 1
    assert outcomes == {"wrong": RULES.strangers_on_one_name, "later": 200 - RULES.strangers_on_one_name}
    with pytest.raises(TooManyTriesError, match="device you have logged in with before"):
        yard.desk.log_in(LEAD, WORDS, stranger(250))
    assert yard.desk.log_in(LEAD, WORDS, phone)[1].id == LEAD
    yard.now_s += RULES.strangers_on_one_name_pause
    assert yard.desk.log_in(LEAD, WORDS, stranger(250))[1].id == LEAD


def test_no_more_than_a_hundred_wrong_tries_an_hour_on_one_account_all_ways_together(yard: Desk) -> None:
    session = yard.desk.caller(yard.account())
    assert session is not None
    phone, wrong = yard.known(LEAD), 0
    yard.now_s += DAY_S
    for second in range(0, 3600, 20):
        yard.now_s += 20.0
        for browser in (phone, stranger(second % 250), stranger((second + 7) % 250)):
            try:
                yard.desk.log_in(LEAD, "guess guess guess", browser)
            except TooManyTriesError:
                continue
            except InputError:
                wrong += 1
        try:
            yard.desk.confirm(session, "guess guess guess")
        except TooManyTriesError:
            continue
        except InputError:
            wrong += 1
    assert 80 <= wrong <= 100  # OWASP ASVS 4.0.3, 2.2.1


def test_many_addresses_together_use_up_no_processor_and_hold_up_nobody_who_is_known(
    yard: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    yard.account()
    phone, hashes = yard.known(LEAD), Counter[str]()
    real = Passwords.hold

    def counted(self: Passwords, kept: str | None, password: str, lane: str) -> bool:
        hashes[lane] += 1
        return lane == "known" and real(self, kept, password, lane)

    monkeypatch.setattr(Passwords, "hold", counted)
    for n in range(5_000):
        with pytest.raises((InputError, TooManyTriesError)):
            yard.desk.log_in(f"name {n}", "guess guess", stranger(n % 250))
    assert hashes == {"stranger": RULES.all_strangers}
    assert yard.desk.log_in(LEAD, WORDS, phone)[1].id == LEAD
    link = yard.desk.invite(SECOND, KEEPER)
    assert yard.desk.join(link, SECOND, OTHER, stranger(1))[1].id == SECOND


def test_one_address_does_not_go_through_all_the_names(yard: Desk) -> None:
    yard.account()
    for n in range(RULES.from_one_address):
        with pytest.raises(InputError):
            yard.desk.log_in(f"name {n}", "welding wire wet", stranger(1))
    with pytest.raises(TooManyTriesError):
        yard.desk.log_in(LEAD, WORDS, stranger(1))
    assert yard.desk.log_in(LEAD, WORDS, stranger(2))[1].id == LEAD


def test_a_wait_is_not_lengthened_by_going_on(yard: Desk) -> None:
    tries = Tries(10, lambda: yard.now_s)
    bucket = ("one", 2, 60)
    assert [tries.spend([bucket]) for _ in range(3)] == [0.0, 0.0, 60.0]
    for _ in range(1_000):
        tries.spend([bucket])
    assert tries.spend([bucket]) == 60.0
    yard.now_s += 60.0
    assert tries.spend([bucket]) == 0.0


def test_a_made_up_proof_of_a_known_device_and_one_of_another_person_count_as_none(yard: Desk) -> None:
    yard.account()
    yard.account(SECOND, OTHER)
    for n in range(RULES.strangers_on_one_name):
        with pytest.raises(InputError):
            yard.desk.log_in(LEAD, "guess guess guess", stranger(n))
    for known in (yard.desk.known_device(SECOND), "mark.0123456789abcdef0123456789abcdef", "ä.ö", ".", ""):
        with pytest.raises(TooManyTriesError):
            yard.desk.log_in(LEAD, "guess guess guess", replace(stranger(99), known=known))


def test_ten_thousand_wrong_log_ins_cost_few_hashes_few_records_and_little_memory(
    filed: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    filed.account()
    before, hashes = len(filed.told), []
    monkeypatch.setattr(Passwords, "hold", lambda *_: hashes.append(1) or False)
    size = (filed.folder / FILE).stat().st_size
    for n in range(10_000):
        with pytest.raises((InputError, TooManyTriesError)):
            filed.desk.log_in(f"name {n % 3_000}", "guess", stranger(n % 5))
    assert len(hashes) == 5 * RULES.from_one_address
    written = filed.told[before:]
    assert {(one.subject, str(one.body["entry"])) for one in written} == {("log-in", "too_many_tries")}
    assert len({one.key for one in written}) == 1  # the record keeps one event of a key
    assert (filed.folder / FILE).stat().st_size == size


def test_tries_of_endless_addresses_are_forgotten_the_oldest_first(yard: Desk) -> None:
    tries = Tries(100, lambda: yard.now_s)
    for n in range(10_000):
        tries.spend([(f"address {n}", 1, 60)])
    assert len(tries._used) == 100


def test_one_hash_is_worked_out_at_a_time_and_few_wait_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    passwords = Passwords(RULES, KEY)
    kept = passwords.hashed(WORDS)
    running, most, go = Counter[str](), Counter[str](), threading.Event()
    real = passwords._turn

    class Turn:
        def __enter__(self) -> None:
            go.wait(20)
            real.acquire()
            running["now"] += 1
            most["at once"] = max(most["at once"], running["now"])

        def __exit__(self, *_: object) -> None:
            running["now"] -= 1
            real.release()

    monkeypatch.setattr(passwords, "_turn", Turn())

    def tried(lane: str) -> str:
        try:
            return str(passwords.hold(kept, WORDS, lane))
        except BusyError:
            return "busy"

    with ThreadPoolExecutor(24) as pool:
        strangers = [pool.submit(tried, "stranger") for _ in range(20)]
        refused = sum(1 for one in strangers if _soon(one) == "busy")
        own = pool.submit(tried, "known")
        go.set()
        assert own.result(20) == "True"  # a known device has places of its own
    assert refused == 20 - RULES.waiting
    assert most["at once"] == 1


def _soon(one: object) -> str:
    try:
        return str(one.result(1))  # type: ignore[attr-defined]
    except TimeoutError:
        return "waits"


# -- sessions ------------------------------------------------------------------------------------------------


def test_a_session_lasts_a_season_and_outlives_a_restart(yard: Desk) -> None:
    token = yard.account()
    yard.desk.book.close()
    yard.open()
    yard.now_s += 179 * DAY_S
    assert yard.desk.caller(token) is not None
    yard.now_s += 2 * DAY_S
    assert yard.desk.caller(token) is None


def test_logging_out_ends_this_device_and_logging_out_everywhere_all_of_them(yard: Desk) -> None:
    phone, tablet, desk = yard.account(), *(yard.desk.log_in(LEAD, WORDS, PHONE)[0] for _ in range(2))
    session = yard.desk.caller(phone)
    assert session is not None
    yard.desk.log_out(session)
    assert [yard.desk.caller(one) is None for one in (phone, tablet, desk)] == [True, False, False]
    assert yard.desk.log_out_all(LEAD, KEEPER) == 2
    assert [yard.desk.caller(one) for one in (tablet, desk)] == [None, None]


def test_another_password_asks_for_the_old_one_and_ends_every_other_session(yard: Desk) -> None:
    token, other = yard.account(), yard.desk.log_in(LEAD, WORDS, PHONE)[0]
    session = yard.desk.caller(token)
    assert session is not None
    with pytest.raises(InputError, match="is not yours"):
        yard.desk.change_password(session, "not the old one", OTHER, PHONE)
    assert yard.desk.caller(other) is not None
    new, _ = yard.desk.change_password(session, WORDS, OTHER, PHONE)
    assert [yard.desk.caller(one) is None for one in (token, other, new)] == [True, True, False]
    assert yard.desk.log_in(LEAD, OTHER, PHONE)[1].id == LEAD


def test_whom_the_settings_no_longer_name_is_logged_in_nowhere(yard: Desk) -> None:
    yard.account()
    token = yard.account(SECOND, OTHER)
    assert yard.desk.caller(token) is not None
    yard.without(SECOND)
    assert yard.desk.caller(token) is None
    with pytest.raises(InputError, match="do not go together"):
        yard.desk.log_in("Ines Calloway", OTHER, PHONE)


def test_a_closed_account_lets_nobody_in_and_voids_its_links(yard: Desk) -> None:
    yard.account()
    token = yard.account(SECOND, OTHER)
    link = yard.desk.invite(SECOND, KEEPER)
    yard.desk.close_account(SECOND, KEEPER)
    assert yard.desk.caller(token) is None
    assert yard.desk.invitation(link) is None


def test_one_person_has_so_many_sessions_and_the_one_seen_longest_ago_makes_room(yard: Desk) -> None:
    first = yard.account()
    for _ in range(RULES.sessions_of_one):
        yard.now_s += 1.0
        last = yard.desk.log_in(LEAD, WORDS, PHONE)[0]
    assert yard.desk.caller(first) is None
    assert yard.desk.caller(last) is not None
    assert len(yard.desk.book.sessions(LEAD, yard.now_s)) == RULES.sessions_of_one


def test_a_backup_holds_accounts_and_nothing_that_lets_anybody_in(filed: Desk, tmp_path: Path) -> None:
    token = filed.account(pin=PIN)
    link = filed.desk.invite(SECOND, KEEPER)
    filed.desk.add_screen(TABLET, "Bay", KEEPER)
    copy = filed.desk.book.backup(tmp_path / "backup")
    assert copy is not None
    assert copy.name == FILE
    book = AccountBook(BesideInFolder(copy.parent), RULES)
    assert (book.session(token, filed.now_s), book.invitation(link, filed.now_s), book.screens()) == (
        None,
        None,
        [],
    )
    assert set(book.accounts()) == {LEAD}
    book.close()
    with sqlite3.connect(copy) as db:
        assert db.execute("PRAGMA quick_check").fetchone() == ("ok",)


# -- shared tablets ------------------------------------------------------------------------------------------


def tablet(yard: Desk, name: str = "Slip Bay tablet") -> Screen:
    found = yard.desk.book.screen(yard.desk.add_screen(TABLET, name, KEEPER))
    assert found is not None
    return found


def on(screen: Screen | None) -> Browser:
    return replace(PHONE, tablet=screen)


def test_on_a_shared_tablet_a_pin_lets_somebody_in_for_ten_minutes_without_a_tap(yard: Desk) -> None:
    yard.account(pin=PIN)
    bay = tablet(yard)
    token, person = yard.desk.enter_pin(LEAD, PIN, on(bay))
    session = yard.desk.caller(token)
    assert session is not None
    assert (person.id, session.known_by, session.tablet) == (LEAD, KnownBy.PIN, bay.id)
    yard.now_s += 500.0
    yard.desk.saw(session)
    yard.now_s += 500.0
    assert yard.desk.caller(token) is not None
    yard.now_s += 200.0
    assert yard.desk.caller(token) is None


def test_a_password_on_a_shared_tablet_ends_as_soon(yard: Desk) -> None:
    yard.account()
    token, _ = yard.desk.log_in(LEAD, WORDS, on(tablet(yard)))
    yard.now_s += RULES.pin_idle + 1.0
    assert yard.desk.caller(token) is None


def test_a_one_time_link_used_on_a_shared_tablet_ends_as_soon(yard: Desk) -> None:
    yard.account()
    token, _ = yard.desk.join(yard.desk.invite(SECOND, KEEPER), "", OTHER, on(tablet(yard)))
    yard.now_s += RULES.pin_idle + 1.0
    assert yard.desk.caller(token) is None


def test_only_whom_the_shop_knows_is_logged_out_or_closed(yard: Desk) -> None:
    yard.account()
    for change in (yard.desk.log_out_all, yard.desk.close_account):
        with pytest.raises(InputError, match="name one of: lead-1, lead-2, review-1"):
            change("leda-1", KEEPER)
    yard.account(SECOND, OTHER)
    yard.without(SECOND)
    yard.desk.close_account(SECOND, KEEPER)  # has left, and its account with it
    assert set(yard.desk.book.accounts()) == {LEAD}


def test_a_pin_works_on_the_shops_tablets_alone(yard: Desk) -> None:
    yard.account(pin=PIN)
    with pytest.raises(InputError, match="shared tablets alone"):
        yard.desk.enter_pin(LEAD, PIN, on(None))
    with pytest.raises(InputError, match="do not go together"):
        yard.desk.log_in(LEAD, PIN, PHONE)


def test_guessing_pins_on_one_tablet_slows_that_person_there_and_nobody_else_anywhere(yard: Desk) -> None:
    yard.account(pin=PIN)
    yard.account(SECOND, OTHER, pin="5831")
    bay, hall = tablet(yard), tablet(yard, "Panel Hall tablet")
    for n in range(RULES.pin_on_one_device):
        with pytest.raises(InputError):
            yard.desk.enter_pin(LEAD, f"{n:04}", on(bay))
    with pytest.raises(TooManyTriesError):
        yard.desk.enter_pin(LEAD, PIN, on(bay))
    assert yard.desk.enter_pin(SECOND, "5831", on(bay))[1].id == SECOND
    assert yard.desk.enter_pin(LEAD, PIN, on(hall))[1].id == LEAD
    assert yard.desk.log_in(LEAD, WORDS, stranger(3))[1].id == LEAD


def test_ten_wrong_pins_in_a_row_want_the_password_there_once(yard: Desk) -> None:
    yard.account(pin=PIN)
    bay = tablet(yard)
    for _ in range(RULES.pin_wrong_in_a_row):
        yard.now_s += RULES.pin_on_one_device_pause
        with pytest.raises(InputError, match="not right"):
            yard.desk.enter_pin(LEAD, "9999", on(bay))
    yard.desk.book.close()
    yard.open()  # a restart forgets nothing of it
    yard.now_s += DAY_S
    with pytest.raises(InputError, match="log in with your password once"):
        yard.desk.enter_pin(LEAD, PIN, on(bay))
    yard.desk.log_in(LEAD, WORDS, on(bay))
    assert yard.desk.enter_pin(LEAD, PIN, on(bay))[1].id == LEAD


def test_a_person_without_a_pin_is_refused_like_a_wrong_one(yard: Desk) -> None:
    yard.account()
    bay = tablet(yard)
    for person in (LEAD, REVIEWER, "nobody"):
        with pytest.raises(InputError, match="that PIN is not right"):
            yard.desk.enter_pin(person, "", on(bay))


def test_a_revoked_tablet_ends_whoever_is_logged_in_on_it(yard: Desk) -> None:
    yard.account(pin=PIN)
    bay = tablet(yard)
    token, _ = yard.desk.enter_pin(LEAD, PIN, on(bay))
    yard.desk.end_screen(bay.id, KEEPER)
    assert yard.desk.caller(token) is None
    assert yard.desk.book.screens() == []
