"""The one place where people are let in: log-in, PIN, one-time links, log-out; each on record."""

import hashlib
import hmac
import secrets
from collections.abc import Callable
from dataclasses import dataclass

from monitor.access.access_rules import AccessRules
from monitor.access.account_book import FIRST, JOIN, RESET, TABLET, AccountBook, Invitation, Screen, Session
from monitor.access.passwords import BusyError, Passwords, check_password, check_pin
from monitor.access.tries import Bucket, Tries
from monitor.model.actor import Actor, KnownBy
from monitor.model.errors import DryshiftError, Fault, InputError
from monitor.model.event import EventKind, NewEvent
from monitor.model.staff import Person, person_named, spelt
from monitor.settings.schema import Settings
from monitor.store.contract import StoreUnavailableError

DAY_S = 86_400.0
LONGEST_DEVICE = 60
_WRONG = "name and password do not go together"
_WRONG_PIN = "that PIN is not right"
_KNOWN = b"dryshift known device, version 1"


class TooManyTriesError(DryshiftError):
    """So many wrong tries that the next one waits; `wait_s` says how long."""

    def __init__(self, wait_s: float) -> None:
        self.wait_s = wait_s
        minutes = max(round(wait_s / 60.0), 1)
        super().__init__(
            f"Too many wrong tries. Try again in {minutes} min, use a device you have logged in with before, "
            "or ask who keeps the accounts for a link."
        )


@dataclass(frozen=True, slots=True)
class Browser:
    """What a log-in comes from: its address, the proof that somebody logged in on it before, its name.

    On a shared `tablet` of the shop every session ends as soon as one by PIN.
    """

    address: str
    known: str = ""
    device: str = ""
    tablet: Screen | None = None


class AccessDesk:
    """Lets people in and out. `keeps` are the roles that may keep accounts; `tell` writes an event."""

    def __init__(
        self,
        settings: Settings,
        book: AccountBook,
        rules: AccessRules,
        key: bytes,
        keeps: frozenset[str],
        tell: Callable[[NewEvent], object],
        clocks: tuple[Callable[[], float], Callable[[], float]],  # epoch seconds; seconds for durations
    ) -> None:
        self.book = book
        self.rules = rules
        self.now_s, monotonic_s = clocks
        self._people = settings.people
        self._shop = [site.name for site in settings.sites]
        self._logged_in_s = settings.web.logged_in_days * DAY_S
        self._key = key
        self._keeps = keeps
        self._tell = tell
        self._passwords = Passwords(rules, key)
        self._tries = Tries(rules.remembered, monotonic_s)
        self._warned_hour = 0

    # -- who somebody is ---------------------------------------------------------------------------------

    def caller(self, token: str) -> Session | None:
        """Whose browser this is; None where nobody is logged in whom the settings still name."""
        found = self.book.session(token, self.now_s()) if token else None
        return found if found is not None and self.person(found.person) is not None else None

    def saw(self, session: Session) -> None:
        """Note that somebody does something; on a full disk they stay logged in all the same."""
        try:
            self.book.saw(session, self.now_s())
        except StoreUnavailableError:
            return  # the store says so itself, on every page

    def person(self, id_: str) -> Person | None:
        """One of the shop's people by id."""
        return next((one for one in self._people if one.id == id_), None)

    def name(self, id_: str) -> str:
        """What people call that person."""
        found = self.person(id_)
        return id_ if found is None else found.name

    def may_keep(self, id_: str) -> bool:
        """Whether that person may keep accounts."""
        return any(one.id == id_ for one in self.keepers())

    def keepers(self) -> list[Person]:
        """Who may keep accounts, and so may make the first one."""
        return [one for one in self._people if one.role in self._keeps]

    # -- letting in --------------------------------------------------------------------------------------

    def log_in(self, who: str, password: str, browser: Browser) -> tuple[str, Person]:
        """The token of a new session; InputError, TooManyTriesError or BusyError.

        An unknown name takes as long and is told the same as a wrong password. On a shared tablet the PIN
        works again afterwards.
        """
        person = person_named(self._people, who)
        account = None if person is None else self.book.account(person.id)
        known = person is not None and self._is_known(browser.known, person.id)
        self._checked(
            self._log_in_buckets(who, person, browser, known=known),
            lambda: self._passwords.hold(
                None if account is None else account.password, password, "known" if known else "stranger"
            ),
            Fault("password", "not shown", _WRONG),
            f"a password, from {browser.address}",
        )
        assert person is not None
        if browser.tablet is not None:
            self.book.count_pin(browser.tablet.id, person.id, right=True)
        return self._begin(person, KnownBy.LOG_IN, browser), person

    def enter_pin(self, person_id: str, pin: str, browser: Browser) -> tuple[str, Person]:
        """As `log_in`, on a shared tablet; the tries of each person on each tablet are counted apart."""
        tablet = browser.tablet
        if tablet is None:
            raise InputError([Fault("pin", "not shown", "works on the shop's shared tablets alone")])
        person, account = self.person(person_id), self.book.account(person_id)
        kept = None if account is None else account.pin
        if self.book.pin_missed(tablet.id, person_id) >= self.rules.pin_wrong_in_a_row:
            fix = "was wrong too often here; log in with your password once, then it works again"
            raise InputError([Fault("pin", "not shown", fix)])
        bucket = (
            f"pin {tablet.id} {person_id}",
            self.rules.pin_on_one_device,
            self.rules.pin_on_one_device_pause,
        )

        def right() -> bool:
            held = self._passwords.hold(kept, self._passwords.pin(person_id, pin), "tablet")
            if kept is not None:
                self.book.count_pin(tablet.id, person_id, right=held)
            return held

        self._checked([bucket], right, Fault("pin", "not shown", _WRONG_PIN), f"a PIN, on {tablet.name}")
        assert person is not None
        return self._begin(person, KnownBy.PIN, browser), person

    def with_pin(self) -> list[Person]:
        """Whom a shared tablet offers."""
        accounts = self.book.accounts()
        return [one for one in self._people if one.id in accounts and accounts[one.id].pin is not None]

    def known_device(self, person: str) -> str:
        """What a browser keeps to show later that this person has logged in with it."""
        mark = secrets.token_urlsafe(12)
        return f"{mark}.{self._proof(mark, person)}"

    # -- one-time links ----------------------------------------------------------------------------------

    def first_link(self) -> str | None:
        """The token for the first account, made anew; None where there is one, or nobody could use it."""
        if self.book.has_accounts() or not self.keepers():
            return None
        return self.book.invite(FIRST, "", "", self.now_s() + self.rules.first_link)

    def invite(self, person_id: str, by: Actor) -> str:
        """A one-time link with which somebody makes an account, or sets another password."""
        if self.person(person_id) is None:
            raise self._unknown(person_id)
        kind = JOIN if self.book.account(person_id) is None else RESET
        token = self.book.invite(kind, person_id, by.name, self.now_s() + self.rules.invitation)
        self._said(person_id, "invited" if kind == JOIN else "reset_link", by)
        return token

    def invitation(self, token: str) -> Invitation | None:
        """What a link allows now."""
        found = self.book.invitation(token, self.now_s())
        gone = found is not None and found.person and self.person(found.person) is None
        return None if gone else found

    def join(self, token: str, person_id: str, password: str, browser: Browser) -> tuple[str, Person]:
        """Use a one-time link: the account is made or has its new password, and its person is logged in."""
        found = self.invitation(token)
        chosen = person_id if found is not None and found.kind == FIRST else found.person if found else ""
        person = self.person(chosen)
        if found is None or person is None or (found.kind == FIRST and person not in self.keepers()):
            raise InputError([Fault("link", "used, old or not for you", "ask for another")])
        check_password(self.rules, password, self._soon_guessed(person))
        kept = self._passwords.hashed(password)
        used = self.book.use_invitation(token, person.id, kept, self.now_s())
        if used is None:
            raise InputError([Fault("link", "used meanwhile", "ask for another")])
        entry = "password_reset" if used.kind == RESET else "account_made"
        why = "with the first link" if used.kind == FIRST else f"with a link from {used.made_by}"
        self._said(person.id, entry, Actor(person.name, KnownBy.ONE_TIME_LINK), why)
        return self._begin(person, KnownBy.LOG_IN, browser), person

    # -- changes -----------------------------------------------------------------------------------------

    def confirm(self, session: Session, password: str) -> None:
        """Refuse (InputError) unless the password is that of whoever is logged in: for what is grave."""
        account = self.book.account(session.person)
        bucket = (f"sure {session.id}", self.rules.once_more, self.rules.once_more_pause)
        self._checked(
            [bucket],
            lambda: self._passwords.hold(None if account is None else account.password, password, "known"),
            Fault("password", "not shown", "is not yours; nothing was changed"),
            "a password, by somebody who is logged in",
        )

    def change_password(self, session: Session, old: str, new: str, browser: Browser) -> tuple[str, Person]:
        """Another password; every session ends but a new one for this browser, whose token is given."""
        self.confirm(session, old)
        person = self.person(session.person)
        assert person is not None
        check_password(self.rules, new, self._soon_guessed(person))
        self.book.set_password(person.id, self._passwords.hashed(new), self.now_s())
        self._said(person.id, "password_changed", Actor(person.name, session.known_by))
        return self._begin(person, KnownBy.LOG_IN, browser), person

    def set_pin(self, session: Session, password: str, pin: str) -> None:
        """The PIN for the shop's shared tablets; empty for none."""
        self.confirm(session, password)
        person = self.person(session.person)
        assert person is not None
        if pin:
            check_pin(self.rules, pin)
        kept = self._passwords.hashed(self._passwords.pin(person.id, pin)) if pin else None
        self.book.set_pin(person.id, kept)
        self._said(person.id, "pin_set" if pin else "pin_removed", Actor(person.name, session.known_by))

    def log_out(self, session: Session) -> None:
        """On this device."""
        self.book.end(session.person, session.id)

    def log_out_all(self, person_id: str, by: Actor) -> int:
        """On every device; how many there were."""
        self._check_known(person_id)
        count = self.book.end(person_id)
        self._said(person_id, "logged_out_everywhere", by, f"{count} devices")
        return count

    def close_account(self, person_id: str, by: Actor) -> None:
        """Nobody logs in as this person any more, until they are invited again."""
        self._check_known(person_id)
        self.book.close_account(person_id)
        self._said(person_id, "account_closed", by)

    def add_screen(self, kind: str, name: str, by: Actor) -> str:
        """The token of a shared tablet or a wall screen."""
        token = self.book.add_screen(Screen("", kind, name, by.name, self.now_s()))
        self._said(name, "tablet_shared" if kind == TABLET else "wall_screen_made", by)
        return token

    def end_screen(self, id_: str, by: Actor) -> None:
        """Revoke a tablet or wall screen."""
        found = self.book.end_screen(id_)
        if found is None:
            raise InputError([Fault("screen", id_[:12], "is not there any more")])
        self._said(found.name, "screen_revoked", by)

    # -- inside ------------------------------------------------------------------------------------------

    def _checked(self, buckets: list[Bucket], right: Callable[[], bool], wrong: Fault, what: str) -> None:
        """Count the try, look, and give it back where it was right; raises the fault where it was not.

        That somebody tries too often stands in the record once an hour, whatever name is tried.
        """
        wait_s = self._tries.spend(buckets)
        if wait_s > 0.0:
            hour = int(self.now_s() // 3600.0)
            if hour != self._warned_hour:
                self._said("log-in", "too_many_tries", None, what, f"access/tries/{hour}")
                self._warned_hour = hour
            raise TooManyTriesError(wait_s)
        try:
            held = right()
        except (BusyError, StoreUnavailableError):
            self._tries.give_back(buckets)
            raise
        if not held:
            raise InputError([wrong])
        self._tries.give_back(buckets)

    def _log_in_buckets(
        self, who: str, person: Person | None, browser: Browser, *, known: bool
    ) -> list[Bucket]:
        rules = self.rules
        if known:
            return [(f"known {browser.known}", rules.known_device, rules.known_device_pause)]
        name = spelt(who) if person is None else person.id
        digest = hashlib.sha256(name.encode("utf-8", "replace")).hexdigest()[:32]
        return [
            (f"from {browser.address}", rules.from_one_address, rules.from_one_address_pause),
            (f"name {digest}", rules.strangers_on_one_name, rules.strangers_on_one_name_pause),
            ("strangers", rules.all_strangers, rules.all_strangers_pause),
        ]

    def _begin(self, person: Person, known_by: KnownBy, browser: Browser) -> str:
        now_s, tablet = self.now_s(), "" if browser.tablet is None else browser.tablet.id
        lasts_s = self.rules.pin_session if tablet else self._logged_in_s
        device = browser.device[:LONGEST_DEVICE]
        token = self.book.begin(
            Session("", person.id, known_by, device, tablet, now_s, now_s, now_s + lasts_s)
        )
        self._said(person.id, "logged_in", Actor(person.name, known_by), device)
        return token

    def _said(
        self, subject: str, entry: str, by: Actor | None, why: str = "", key: str | None = None
    ) -> None:
        who, known_by = ("", "") if by is None else (by.name, by.proof)
        body: dict[str, object] = {"entry": entry}
        event = NewEvent(EventKind.ACCOUNT, subject, self.now_s(), who, body, why, key, known_by)
        self._tell(event)

    def _is_known(self, known: str, person: str) -> bool:
        mark, _, proof = known.partition(".")
        return hmac.compare_digest(proof.encode(), self._proof(mark, person).encode())

    def _proof(self, mark: str, person: str) -> str:
        own_key = hmac.digest(self._key, _KNOWN, hashlib.sha256)
        return hmac.digest(own_key, f"{mark} {person}".encode("utf-8", "replace"), hashlib.sha256).hex()[:32]

    def _soon_guessed(self, person: Person) -> list[str]:
        return [
            "dryshift",
            person.id,
            *person.name.split(),
            *(word for n in self._shop for word in n.split()),
        ]

    def _check_known(self, person_id: str) -> None:
        """An account may outlive its person in the settings; what was never either is a slip."""
        if self.person(person_id) is None and self.book.account(person_id) is None:
            raise self._unknown(person_id)

    def _unknown(self, person_id: str) -> InputError:
        ids = ", ".join(one.id for one in self._people) or "nobody yet: add [[people]] to the settings"
        return InputError([Fault("person", person_id or "nobody", f"name one of: {ids}")])
