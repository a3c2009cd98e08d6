"""`dryshift invite` and `accounts`: let people in and out at the service's own machine."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from monitor.access.desk import AccessDesk
from monitor.cli.shop_file import DATABASE, load_shop
from monitor.engine.front_desk import found_beside, open_desk
from monitor.engine.link_key import link_key
from monitor.fleet.common_desk import common_desk
from monitor.model.actor import Actor, KnownBy
from monitor.model.errors import Fault, InputError
from monitor.model.event import NewEvent
from monitor.settings.fleet_file import FLEET_FILE, SHOP_PATH, fleet_of, load_fleet
from monitor.settings.schema import WebSection
from monitor.store.fleet_book import FleetBook
from monitor.store.opener import open_ledger_for
from monitor.store.private import private_folder

SETTINGS = click.argument("settings_file", type=click.Path(path_type=Path))
SECRETS = click.option("--secrets", type=click.Path(path_type=Path), help="Folder of secret files.")
WHO = click.option("--who", default="the command line", show_default=True, help="Whom the record names.")


@click.command("invite")
@SETTINGS
@click.argument("person")
@SECRETS
@WHO
def invite_command(settings_file: Path, person: str, secrets: Path | None, who: str) -> None:
    """Print a one-time link with which PERSON (an id) makes an account, or sets another password."""
    with _desk(settings_file, secrets) as (desk, base):
        token = desk.invite(person, Actor(who, KnownBy.COMMAND_LINE))
        days = round(desk.rules.invitation / 86_400.0)
        click.echo(f"For {desk.name(person)}, once, within {days} days: {base}/join/{token}")


@click.command("accounts")
@SETTINGS
@SECRETS
@WHO
@click.option("--log-out", metavar="PERSON", help="End every session of this person.")
@click.option("--close", metavar="PERSON", help="Close this person's account.")
@click.option("--revoke-screens", is_flag=True, help="Revoke every shared tablet and wall screen.")
def accounts_command(
    settings_file: Path,
    secrets: Path | None,
    who: str,
    log_out: str | None,
    close: str | None,
    revoke_screens: bool,
) -> None:
    """Say who has an account and where they are logged in; log out, close, revoke."""
    actor = Actor(who, KnownBy.COMMAND_LINE)
    with _desk(settings_file, secrets) as (desk, _):
        if log_out is not None:
            click.echo(f"{log_out}: {desk.log_out_all(log_out, actor)} devices logged out.")
        if close is not None:
            desk.close_account(close, actor)
            click.echo(f"{close}: the account is closed.")
        for screen in desk.book.screens() if revoke_screens else ():
            desk.end_screen(screen.id, actor)
        for line in _listed(desk):
            click.echo(line)


def _listed(desk: AccessDesk) -> Iterator[str]:
    for person in desk.book.accounts():
        sessions = desk.book.sessions(person, desk.now_s())
        devices = ", ".join(one.device for one in sessions) or "no device"
        yield f"  {person}, {desk.name(person)}: logged in on {devices}"
    for screen in desk.book.screens():
        yield f"  {screen.kind} {screen.name}, by {screen.made_by}"
    if not desk.book.has_accounts():
        yield "Nobody has an account yet."


@contextmanager
def _desk(settings_file: Path, secrets: Path | None) -> Iterator[tuple[AccessDesk, str]]:
    """The desk of a shop, or with a fleet's own file that of all shops; and what its links begin with."""
    if settings_file.name == FLEET_FILE:
        fleet = load_fleet(settings_file, secrets, os.environ.get(DATABASE))
        book = FleetBook(fleet.database.get_secret_value())
        try:
            with common_desk(fleet, book) as (_, _, desk):
                yield desk, _base(fleet.web)
        finally:
            book.close()
        return
    settings = load_shop(settings_file, secrets)
    if not settings.web.has_accounts:
        fix = 'nobody has an account here; set it to "accounts", without user_header'
        raise InputError([Fault("web.log_in", settings.web.log_in, fix)])
    private_folder(settings.service.data_dir)
    ledger = open_ledger_for(settings)
    try:
        beside = found_beside(settings, ledger)

        def tell(event: NewEvent) -> None:
            ledger.commit([event], entered_s=event.time_s)

        desk = open_desk(settings, beside, link_key(settings, beside), tell)
        try:
            yield desk, _base_of_shop(settings.web, settings_file, secrets)
        finally:
            desk.book.close()
    finally:
        ledger.close()


def _base_of_shop(web: WebSection, settings_file: Path, secrets: Path | None) -> str:
    """In a fleet a shop's pages move: the page of all shops leads on to where they are."""
    fleet = None if web.public_url else fleet_of(settings_file, secrets, os.environ.get(DATABASE))
    return _base(web) if fleet is None else f"{_base(fleet.web)}{SHOP_PATH}{settings_file.stem}"


def _base(web: WebSection) -> str:
    return (web.public_url or f"http://{web.host}:{web.port}").rstrip("/")
