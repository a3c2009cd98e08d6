"""A shop's settings for a command: alone as its file says, in a fleet with the ledger that it has there."""

import os
from pathlib import Path

from monitor.engine.build import known_reference
from monitor.fleet.shop_settings import in_fleet
from monitor.settings.file import load
from monitor.settings.fleet_file import fleet_of
from monitor.settings.schema import Settings
from monitor.store.fleet_book import FleetBook

DATABASE = "DRYSHIFT_FLEET_DATABASE"  # the environment over fleet.toml


def load_shop(settings_file: Path, secrets: Path | None = None) -> Settings:
    """The settings in the file; InputError with every fault. A `fleet.toml` beside it puts it in a fleet."""
    settings = load(settings_file, secrets, known_reference())
    fleet = fleet_of(settings_file, secrets, os.environ.get(DATABASE))
    if fleet is None:
        return settings
    book = FleetBook(fleet.database.get_secret_value())
    try:
        return in_fleet(settings, fleet, settings_file.stem, book.ledger_url(settings_file.stem))
    finally:
        book.close()
