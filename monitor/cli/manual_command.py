"""`dryshift manual`: the manual page, for packages and for reading."""

import click

from monitor import __version__
from monitor.cli.main import main
from monitor.cli.manual import manual


@click.command("manual")
def manual_command() -> None:
    """Print the manual page dryshift(1); read it with: dryshift manual | man -l -."""
    click.echo(manual(main, __version__), nl=False)
