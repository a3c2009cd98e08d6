"""The `dryshift` command line. Exit codes: 0 done, 1 faults were found, 2 it could not be run."""

import click

from monitor import __version__
from monitor.cli.backtest_command import backtest_command
from monitor.cli.channel_commands import test_channel_command
from monitor.cli.check_commands import check_command, check_payload_command
from monitor.cli.replay_commands import record_command, replay_command
from monitor.cli.run_commands import demo_command, run_command
from monitor.cli.sheet_command import sheet_command
from monitor.cli.store_commands import backup_command, move_command, resend_command, restore_command
from monitor.cli.verify_command import verify_command
from monitor.model.errors import DryshiftError, InputError


class Dryshift(click.Group):
    """Says errors raised on purpose in plain words, one fault a line."""

    def invoke(self, ctx: click.Context) -> object:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except InputError as error:
            for fault in error.faults:
                click.echo(f"  {fault}", err=True)
            ctx.exit(2)
        except DryshiftError as error:
            click.echo(f"  {error}", err=True)
            ctx.exit(2)


@click.group(cls=Dryshift, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="dryshift")
def main() -> None:
    """Keeps a welding shop's consumables, gas and steel dry.

    Watches the air, works out what will get wet, and warns before the humid shift. A planning aid:
    the governing code, the maker's data sheet, the qualified procedure and licensed people decide.
    """


for command in (
    run_command,
    demo_command,
    check_command,
    check_payload_command,
    record_command,
    replay_command,
    backtest_command,
    test_channel_command,
    verify_command,
    sheet_command,
    backup_command,
    restore_command,
    move_command,
    resend_command,
):
    main.add_command(command)
