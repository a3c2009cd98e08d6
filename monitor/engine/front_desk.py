"""Opens the desk where people are let in, for the running service and for commands at its machine."""

from collections.abc import Callable

from monitor.access.access_rules import access_rules
from monitor.access.account_book import FILE, AccountBook
from monitor.access.desk import AccessDesk
from monitor.alarms.authority import KEEP_ACCOUNTS, authority_from
from monitor.clock import SystemClock, monotonic_s
from monitor.model.event import NewEvent
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings


def open_desk(settings: Settings, key: bytes, tell: Callable[[NewEvent], object]) -> AccessDesk:
    """The desk over the accounts in the data folder; it goes by the machine's clock, a demo's too."""
    rules = access_rules(load_toml("access.toml"))
    keeps = authority_from(load_toml("alarm_authority.toml"))[KEEP_ACCOUNTS]
    clocks = SystemClock().now_s, monotonic_s
    return AccessDesk(settings, open_book(settings), rules, key, keeps, tell, clocks)


def open_book(settings: Settings) -> AccountBook:
    """The accounts in the data folder."""
    return AccountBook(settings.service.data_dir / FILE, access_rules(load_toml("access.toml")))
