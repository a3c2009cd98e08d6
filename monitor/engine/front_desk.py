"""Opens the desk where people are let in, for the running service and for commands at its machine."""

from collections.abc import Callable

from monitor.access.access_rules import access_rules
from monitor.access.account_book import FILE, SCHEMA, AccountBook
from monitor.access.desk import AccessDesk
from monitor.alarms.authority import KEEP_ACCOUNTS, authority_from
from monitor.clock import SystemClock, monotonic_s
from monitor.engine.link_key import KEY_FILE, link_key
from monitor.model.errors import DryshiftError
from monitor.model.event import NewEvent
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings
from monitor.store import phone_book
from monitor.store.contract import Ledger
from monitor.store.kept_beside import Beside
from monitor.store.ledger.schema_beside import BesideInSchema
from monitor.store.opener import open_ledger_for

ACCOUNTS = "account"  # the table that says whether anybody has one


def held_record(settings: Settings) -> tuple[Ledger, Beside, bytes]:
    """The ledger, held for this service; where accounts, phones and keys lie; the key that signs."""
    ledger = open_ledger_for(settings)
    try:
        ledger.hold([site.id for site in settings.sites])
        beside = _settled_beside(settings, ledger)
        return ledger, beside, link_key(settings, beside)
    except DryshiftError:
        ledger.close()
        raise


def _settled_beside(settings: Settings, ledger: Ledger) -> Beside:
    """What a data folder still has from a time when all of it lay there is moved to the ledger's database."""
    folder = settings.service.data_dir
    beside = ledger.beside(folder)
    if isinstance(beside, BesideInSchema):
        beside.take_over(folder, FILE, SCHEMA, ACCOUNTS, KEY_FILE)
        phones = phone_book
        beside.take_over(folder, phones.FILE, phones.SCHEMA, phones.TABLE, phones.KEY_FILE)
    return beside


def found_beside(settings: Settings, ledger: Ledger) -> Beside:
    """The same for a command beside the service; InputError where its accounts wait to be moved."""
    folder = settings.service.data_dir
    beside = ledger.beside(folder)
    if isinstance(beside, BesideInSchema):
        beside.check_taken(folder, FILE, SCHEMA, ACCOUNTS)
    return beside


def open_desk(
    settings: Settings, beside: Beside, key: bytes, tell: Callable[[NewEvent], object]
) -> AccessDesk:
    """The desk over the shop's accounts; it goes by the machine's clock, a demo's too."""
    rules = access_rules(load_toml("access.toml"))
    keeps = authority_from(load_toml("alarm_authority.toml"))[KEEP_ACCOUNTS]
    clocks = SystemClock().now_s, monotonic_s
    return AccessDesk(settings, open_book(beside), rules, key, keeps, tell, clocks)


def open_book(beside: Beside) -> AccountBook:
    """The shop's accounts."""
    return AccountBook(beside, access_rules(load_toml("access.toml")))
