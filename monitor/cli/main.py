"""The `dryshift` command line. Exit codes: 0 done, 1 faults were found, 2 it could not be run."""

import importlib
from typing import cast

import click

from monitor import __version__
from monitor.cli.heap import unlooked
from monitor.model.errors import DryshiftError, InputError

# Each command with its module and what it does; the module is loaded when the command is asked for, since
# all of them together take seconds to load and help needs none of them.
COMMANDS = {
    "run": ("run_commands", "Run the service on a settings file."),
    "fleet": ("fleet_command", "Run a share of many shops on one database."),
    "demo": ("demo_command", "Run Ferrymoor Slipway, an invented yard."),
    "setup": ("setup_command", "Ask what a lead knows and write a shop's settings."),
    "check": ("check_commands", "Name every fault of a settings file at once."),
    "enrol": ("enrol_command", "Make, print, renew, revoke and list log-ins of sensors at the broker."),
    "check-payload": ("check_commands", "Say what of a sensor's message is understood."),
    "record": ("replay_commands", "Write a store's readings to a recording."),
    "replay": ("replay_commands", "Judge a recording again and print its alarms."),
    "backtest": ("backtest_command", "Score the outlook and its warnings on recordings."),
    "test-channel": ("channel_commands", "Send a test message on a channel."),
    "verify": ("verify_command", "Walk the record's chain and look for what was changed."),
    "sheet": ("sheet_command", "Write a record as a PDF to sign."),
    "invite": ("account_commands", "Print a one-time link for an account or a new password."),
    "accounts": ("account_commands", "List accounts; log people out, close, revoke."),
    "backup": ("store_commands", "Copy readings, ledger and forecasts, checked."),
    "restore": ("store_commands", "Put a backup back after checking it."),
    "archive": ("archive_command", "Move closed months into Parquet files, list them, take one back."),
    "move": ("store_commands", "Move the series between the embedded store and InfluxDB."),
    "resend": ("store_commands", "Queue once more what the InfluxDB server refused."),
    "manual": ("manual_command", "Print the manual page."),
}


class Dryshift(click.Group):
    """Loads a command when it is asked for; says errors raised on purpose plainly, one fault a line."""

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command itself, its module loaded."""
        if cmd_name not in COMMANDS:
            return super().get_command(ctx, cmd_name)
        with unlooked():
            module = importlib.import_module(f"monitor.cli.{COMMANDS[cmd_name][0]}")
        return cast("click.Command", getattr(module, f"{cmd_name.replace('-', '_')}_command"))

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list of commands, of which none is loaded."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, str(self.commands[name].help)) for name in sorted(self.commands)])

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


for name, (_, what) in COMMANDS.items():
    main.add_command(click.Command(name, help=what))
