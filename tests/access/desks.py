"""A desk of a test's own, on a real file, whose clocks go as the test says."""

from dataclasses import dataclass, field, replace
from pathlib import Path

from monitor.access.access_rules import access_rules
from monitor.access.account_book import AccountBook
from monitor.access.desk import AccessDesk, Browser
from monitor.model.actor import Actor, KnownBy
from monitor.model.event import NewEvent
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings
from monitor.store.folder_beside import BesideInFolder
from monitor.store.kept_beside import Beside
from tests.web.sample_shop import settings

RULES = access_rules(load_toml("access.toml"))
KEY = b"a key for tests only, 32 bytes!!"
LEAD, SECOND, REVIEWER = "lead-1", "lead-2", "review-1"
WORDS = "anvil ferry turnip clock"  # a password of these tests
OTHER = "kettle moss nineteen rope"
PIN = "7305"
PHONE = Browser("192.0.2.7", device="Android device")


@dataclass
class Desk:
    """What a test turns: the time, who is in the settings; and what was told to the record."""

    folder: Path
    shop: Settings = field(default_factory=lambda: settings(log_in="accounts"))
    now_s: float = 1_790_000_000.0
    told: list[NewEvent] = field(default_factory=list)
    beside: Beside | None = None  # absent: files of the folder
    desk: AccessDesk = field(init=False)

    def __post_init__(self) -> None:
        self.open()

    def open(self) -> None:
        """As a start of the service does."""
        book = AccountBook(self.beside or BesideInFolder(self.folder), RULES)
        clocks = (lambda: self.now_s), (lambda: self.now_s)
        keeps = frozenset({"lead", "keeper"})
        self.desk = AccessDesk(self.shop, book, RULES, KEY, keeps, self.told.append, clocks)

    def without(self, person: str) -> None:
        """The settings no longer name somebody, after a restart."""
        self.desk.book.close()
        people = tuple(one for one in self.shop.people if one.id != person)
        self.shop = self.shop.model_copy(update={"people": people})
        self.open()

    def account(self, person: str = LEAD, words: str = WORDS, pin: str = "") -> str:
        """Somebody's account, made as people make theirs; the token of the session it begins."""
        first = self.desk.first_link()
        link = first or self.desk.invite(person, Actor("Morgan Reyd", KnownBy.LOG_IN, ("lead",)))
        token, _ = self.desk.join(link, person, words, PHONE)
        if pin:
            session = self.desk.caller(token)
            assert session is not None
            self.desk.set_pin(session, words, pin)
        return token

    def entries(self) -> list[tuple[str, str]]:
        """What the record was told, with how its person was known."""
        return [(str(one.body["entry"]), one.known_by) for one in self.told]

    def known(self, person: str, address: str = "192.0.2.7") -> Browser:
        """A device that this person has logged in with before."""
        return replace(PHONE, address=address, known=self.desk.known_device(person))
