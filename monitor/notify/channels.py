"""Makes the senders that the settings describe."""

from monitor.notify.email import EmailSender
from monitor.notify.lamps import Publish, topic_base
from monitor.notify.mqtt_state import MqttMessageSender
from monitor.notify.outcome import Sender
from monitor.notify.push import PushSender
from monitor.notify.web_push import WebPushSender
from monitor.notify.webhook import WebhookSender
from monitor.settings.schema import Channel, Settings
from monitor.store.phone_book import PhoneBook


def phone_book(settings: Settings) -> PhoneBook | None:
    """The phones that asked to be told, where a channel reaches them; else none is kept."""
    wanted = any(channel.kind == "webpush" for channel in settings.channels)
    return PhoneBook(settings.service.data_dir) if wanted else None


def make_sender(
    channel: Channel, publish: Publish, settings: Settings, phones: PhoneBook | None = None
) -> Sender:
    """The sender for one channel; `publish` is the link to the broker."""
    root = settings.mqtt.topic_root
    ca_file = str(channel.ca_file) if channel.ca_file is not None else None
    secret = channel.secret.get_secret_value() if channel.secret is not None else None
    if channel.kind == "webhook":
        return WebhookSender(str(channel.url), secret, channel.timeout_s, ca_file)
    if channel.kind == "push" and channel.push_url is not None:
        return PushSender(channel.push_url.get_secret_value(), channel.timeout_s)
    if channel.kind == "mqtt":
        return MqttMessageSender(topic_base(channel, root), publish)
    if channel.kind == "webpush":
        data_dir = settings.service.data_dir
        return WebPushSender(channel, phones or PhoneBook(data_dir), data_dir)
    return EmailSender(channel)
