"""`dryshift test-channel`: send one test message on a channel and say what became of it."""

import sys
import threading
from pathlib import Path

import click

from monitor.clock import SystemClock
from monitor.engine.build import known_reference
from monitor.model.actor import Actor, KnownBy
from monitor.model.errors import Fault, InputError
from monitor.mqtt.client import make_client
from monitor.notify.channels import make_sender
from monitor.notify.lamps import Publish
from monitor.notify.trial import try_channel, word
from monitor.settings.file import load
from monitor.settings.schema import Channel, MqttSection, Settings

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
    settings = load(settings_file, secrets, known_reference())
    taken = [_tried(settings, one, who) for one in _chosen(settings, channel)]
    sys.exit(0 if all(taken) else 1)


def _chosen(settings: Settings, name: str | None) -> list[Channel]:
    found = [channel for channel in settings.channels if name in (None, channel.id)]
    if not found:
        known = ", ".join(channel.id for channel in settings.channels) or "none is in the settings"
        raise InputError([Fault("channel", str(name), f"is no channel; use one of: {known}")])
    return found


def _tried(settings: Settings, channel: Channel, who: str) -> bool:
    sender = make_sender(channel, _publisher(settings.mqtt), settings.mqtt.topic_root)
    outcome, _ = try_channel(sender, channel.id, Actor(who, KnownBy.COMMAND_LINE), SystemClock().now_s())
    state, cause = word(outcome)
    click.echo(f"{channel.id}: {SAID[state]}" + (f" ({cause})" if cause else ""))
    return state == "delivered"


def _publisher(settings: MqttSection) -> Publish:
    """Publishes once, under a name of its own, so that a running service keeps its connection."""
    apart = settings.model_copy(
        update={"client_id": f"{settings.client_id[:50]}-channel-test", "session_expiry_s": 0}
    )

    def publish(topic: str, payload: bytes) -> str | None:
        connected = threading.Event()
        client = make_client(apart, settings.host, settings.port)
        client.will_clear()
        client.on_connect = lambda _c, _u, _f, code, _p: None if code.is_failure else connected.set()
        client.loop_start()
        try:
            if not connected.wait(WAIT_S):
                return f"no broker took the connection at {settings.host}:{settings.port}"
            info = client.publish(topic, payload, qos=1, retain=True)
            info.wait_for_publish(WAIT_S)
            return None if info.is_published() else f"the broker did not answer within {WAIT_S:g} s"
        finally:
            client.disconnect()
            client.loop_stop()

    return publish
