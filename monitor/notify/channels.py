"""Makes the senders that the settings describe."""

from collections.abc import Callable

from monitor.notify.email import EmailSender
from monitor.notify.lamps import Publish, topic_base
from monitor.notify.mqtt_state import MqttMessageSender
from monitor.notify.outcome import Sender
from monitor.notify.push import PushSender
from monitor.notify.sms import SmsSender
from monitor.notify.web_push import NoPhonesSender, WebPushSender
from monitor.notify.webhook import WebhookSender
from monitor.settings.schema import Channel, Settings
from monitor.store.kept_beside import Beside
from monitor.store.phone_book import PhoneBook


def phone_book(settings: Settings, beside: Beside) -> PhoneBook | None:
    """The phones that asked to be told, where a channel reaches them; else none is kept."""
    wanted = any(channel.kind == "webpush" for channel in settings.channels)
    return PhoneBook(beside) if wanted else None


def make_sender(channel: Channel, publish: Publish, settings: Settings, phones: PhoneBook | None) -> Sender:
    """The sender for one channel; `publish` is the link to the broker, `phones` None where they are away."""
    ca_file = str(channel.ca_file) if channel.ca_file is not None else None
    secret = channel.secret.get_secret_value() if channel.secret is not None else None
    makers: dict[str, Callable[[], Sender]] = {
        "webhook": lambda: WebhookSender(str(channel.url), secret, channel.timeout_s, ca_file),
        "push": lambda: PushSender(_push_url(channel), channel.timeout_s),
        "webpush": lambda: NoPhonesSender() if phones is None else WebPushSender(channel, phones),
        "sms": lambda: SmsSender(channel),
        "mqtt": lambda: MqttMessageSender(topic_base(channel, settings.mqtt.topic_root), publish),
        "email": lambda: EmailSender(channel),
    }
    return makers[channel.kind]()


def _push_url(channel: Channel) -> str:
    return "" if channel.push_url is None else channel.push_url.get_secret_value()
