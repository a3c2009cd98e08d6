"""Reads the one file of many shops: where their ledgers lie, and who may see how all of them stand."""

from pathlib import Path
from typing import Self

from pydantic import SecretStr, ValidationError, model_validator

from monitor.model.errors import Fault, InputError
from monitor.model.place import Site, Zone
from monitor.model.section import Section
from monitor.model.staff import Person
from monitor.settings.file import cross_faults, faults_in, read_tree
from monitor.settings.schema import Program, Settings, WebSection

FLEET_FILE = "fleet.toml"  # beside the shops' own files
PORT = 8470
SHOP_PATH = "/shop/"  # below the page of all shops: on to where a shop's pages are now


class FleetWeb(WebSection):
    """The page of all shops; it has accounts of its own, and shows strangers nothing."""

    port: int = PORT

    @model_validator(mode="after")
    def _lets_in_by_accounts_alone(self) -> Self:
        if self.log_in != "accounts" or self.user_header is not None or self.readers != "people":
            raise ValueError(
                "of all shops lets people in by its own accounts alone; remove log_in, user_header, readers"
            )
        return self


class FleetSettings(Section):
    """The database of all ledgers, the common page, and the people and programs that read it."""

    database: SecretStr
    name: str = "All shops"
    timezone: str = "UTC"
    web: FleetWeb = FleetWeb()
    people: tuple[Person, ...] = ()
    programs: tuple[Program, ...] = ()

    def as_one_house(self) -> Settings:
        """What the desk and the pages of accounts are told: people are let in to all shops as to one."""
        site = Site(id="all-shops", name=self.name, timezone=self.timezone)
        zone = Zone(id="all-shops", site=site.id, name=self.name)
        return Settings(
            sites=(site,), zones=(zone,), people=self.people, programs=self.programs, web=self.web
        )


def load_fleet(path: Path, secrets: Path | None = None, database: str | None = None) -> FleetSettings:
    """The settings in `path`, with another database where one is given; InputError with every fault."""
    tree, faults = read_tree(path, secrets)
    if database:
        tree["database"] = database
    try:
        found = FleetSettings(**tree)
        found.as_one_house()
    except ValidationError as error:
        raise InputError([*faults, *faults_in(error)]) from error
    faults += cross_faults(found.model_dump(), {})
    if faults:
        raise InputError(faults)
    return found


def fleet_of(
    shop_file: Path, secrets: Path | None = None, database: str | None = None
) -> FleetSettings | None:
    """The fleet that a shop's file belongs to: the one whose file lies beside it; None for a shop alone."""
    file = shop_file.parent / FLEET_FILE
    return load_fleet(file, secrets, database) if file.exists() else None


def shop_files(folder: Path) -> dict[str, Path]:
    """Every shop's settings file by the shop's name."""
    found = {file.stem: file for file in sorted(folder.glob("*.toml")) if file.name != FLEET_FILE}
    if not found:
        fix = "put one settings file a shop there, NAME.toml"
        raise InputError([Fault("SHOPS_FOLDER", str(folder), fix)])
    return found
