"""Makes the senders that the settings describe."""

from monitor.notify.email import EmailSender
from monitor.notify.lamps import Publish, topic_base
from monitor.notify.mqtt_state import MqttMessageSender
from monitor.notify.outcome import Sender
from monitor.notify.push import PushSender
from monitor.notify.webhook import WebhookSender
from monitor.settings.schema import Channel


def make_sender(channel: Channel, publish: Publish, root: str) -> Sender:
    """The sender for one channel; `publish` is the link to the broker, `root` the first level of topics."""
    ca_file = str(channel.ca_file) if channel.ca_file is not None else None
    secret = channel.secret.get_secret_value() if channel.secret is not None else None
    if channel.kind == "webhook":
        return WebhookSender(str(channel.url), secret, channel.timeout_s, ca_file)
    if channel.kind == "push" and channel.push_url is not None:
        return PushSender(channel.push_url.get_secret_value(), channel.timeout_s)
    if channel.kind == "mqtt":
        return MqttMessageSender(topic_base(channel, root), publish)
    return EmailSender(channel)
