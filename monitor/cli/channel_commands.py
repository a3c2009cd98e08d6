"""`dryshift test-channel`: send one test message on a channel and say what became of it."""

import sys
from pathlib import Path

import click

from monitor.cli.shop_file import load_shop
from monitor.clock import SystemClock
from monitor.model.actor import Actor, KnownBy
from monitor.model.errors import Fault, InputError
from monitor.mqtt.hearing import Asker, NotAskedError
from monitor.notify.channels import make_sender, phone_book
from monitor.notify.lamps import Publish
from monitor.notify.trial import try_channel, word
from monitor.settings.schema import Channel, MqttSection, Settings
from monitor.store.opener import opened_beside
from monitor.store.phone_book import PhoneBook

WAIT_S = 10.0
SAID = {
    "delivered": "delivered",
    "retry": "not taken now; a warning would be tried again, then handed over to the fallback",
    "refused": "refused; it would never be taken: mend the settings of this channel",
}


@click.command("test-channel")
@click.argument("settings_file", type=click.Path(path_type=Path))
@click.argument("channel", required=False)
@click.option("--secrets", type=click.Path(path_type=Path), help="Folder of secret files.")
@click.option(
    "--who", default="the command line", show_default=True, help="Whom the message names as sender."
)
def test_channel_command(settings_file: Path, channel: str | None, secrets: Path | None, who: str) -> None:
    """Send a test message on CHANNEL (all of them, if none is named) and say what became of it.

    The exit code is 1 where a channel did not take it. Nothing is written to the record.
    """
    settings = load_shop(settings_file, secrets)
    with opened_beside(settings) as beside:
        phones = phone_book(settings, beside)
        taken = [_tried(settings, one, who, phones) for one in _chosen(settings, channel)]
    sys.exit(0 if all(taken) else 1)


def _chosen(settings: Settings, name: str | None) -> list[Channel]:
    found = [channel for channel in settings.channels if name in (None, channel.id)]
    if not found:
        known = ", ".join(channel.id for channel in settings.channels) or "none is in the settings"
        raise InputError([Fault("channel", str(name), f"is no channel; use one of: {known}")])
    return found


def _tried(settings: Settings, channel: Channel, who: str, phones: PhoneBook | None) -> bool:
    sender = make_sender(channel, _publisher(settings.mqtt), settings, phones)
    outcome, _ = try_channel(sender, channel.id, Actor(who, KnownBy.COMMAND_LINE), SystemClock().now_s())
    state, cause = word(outcome)
    click.echo(f"{channel.id}: {SAID[state]}" + (f" ({cause})" if cause else ""))
    return state == "delivered"


def _publisher(settings: MqttSection) -> Publish:
    """Publishes once, with the commands' own log-in, so that a running service keeps its connection."""

    def publish(topic: str, payload: bytes) -> str | None:
        try:
            with Asker(settings, (settings.host, settings.port), WAIT_S) as asker:
                return asker.publish(topic, payload)
        except (NotAskedError, InputError) as error:
            return str(error)

    return publish
