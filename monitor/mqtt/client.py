"""Makes the MQTT client as the settings ask for it: version, session, log-in, TLS, last will."""

import json
import ssl
from collections.abc import Callable
from typing import TypeVar

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.model.errors import Fault, InputError
from monitor.mqtt.packet_socket import MAX_PACKET_BYTES, LinkClient
from monitor.settings.schema import MqttSection

CONNECT_TIMEOUT_S = 10.0
CURRENT_VERSION = "5"


def make_client(settings: MqttSection, host: str, port: int) -> mqtt.Client:
    """A client that keeps its session from the very first connect and acknowledges by hand."""
    return _of_kind(mqtt.Client, settings, host, port)


def make_link_client(settings: MqttSection, host: str, port: int) -> LinkClient:
    """The same for the link, which reads what is published by itself."""
    return _of_kind(LinkClient, settings, host, port)


_Kind = TypeVar("_Kind", bound=mqtt.Client)


def _of_kind(kind: type[_Kind], settings: MqttSection, host: str, port: int) -> _Kind:
    is_5 = settings.protocol == CURRENT_VERSION
    client = kind(
        CallbackAPIVersion.VERSION2,
        client_id=settings.client_id,
        clean_session=None if is_5 else False,
        protocol=mqtt.MQTTv5 if is_5 else mqtt.MQTTv311,
        reconnect_on_failure=False,
        manual_ack=True,
    )
    client.connect_timeout = CONNECT_TIMEOUT_S
    _log_in(client, settings)
    if settings.ca_file is not None or settings.cert_file is not None:
        client.tls_set_context(_tls(settings))
    client.will_set(state_topic(settings), state_payload("lost"), qos=1, retain=True)
    if is_5:
        client.connect_async(
            host, port, settings.keepalive_s, clean_start=False, properties=_connect_properties(settings)
        )
    else:
        client.connect_async(host, port, settings.keepalive_s)
    return client


def make_probe(settings: MqttSection, told: Callable[[bool], None]) -> mqtt.Client:
    """A client that only asks whether it is let in: no session, no will; `told` hears the answer."""
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=f"{settings.client_id}-probe",
        protocol=mqtt.MQTTv5 if settings.protocol == CURRENT_VERSION else mqtt.MQTTv311,
        reconnect_on_failure=False,
    )
    _log_in(client, settings)
    client.on_connect = lambda _client, _data, _flags, reason, _properties: told(not reason.is_failure)
    return client


def make_asker(settings: MqttSection, address: tuple[str, int]) -> mqtt.Client:
    """A client of the commands: no session, no will, and a log-in that is not the service's.

    A broker that ties client ids to log-ins would give a second connection of the service's own log-in the
    service's place, and with a clean start throw away what waits for it.
    """
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=f"{settings.client_id[:50]}-check",
        protocol=mqtt.MQTTv5 if settings.protocol == CURRENT_VERSION else mqtt.MQTTv311,
        reconnect_on_failure=False,
    )
    client.connect_timeout = CONNECT_TIMEOUT_S
    if settings.username is not None and settings.check_username is None:
        fix = "is needed where the service has a log-in; `dryshift enrol service` makes one"
        raise InputError([Fault("mqtt.check_username", "nothing", fix)])
    if settings.check_username is not None:
        password = settings.check_password
        client.username_pw_set(settings.check_username, password.get_secret_value() if password else None)
    if settings.ca_file is not None:
        client.tls_set_context(_tls(settings))
    client.connect_async(*address, keepalive=settings.keepalive_s)
    return client


def _log_in(client: mqtt.Client, settings: MqttSection) -> None:
    if settings.username is not None:
        password = settings.password.get_secret_value() if settings.password else None
        client.username_pw_set(settings.username, password)


def state_topic(settings: MqttSection) -> str:
    """Where the service says, retained, whether it is there."""
    return f"{settings.topic_root}/service/state"


def state_payload(state: str) -> bytes:
    """What it says: "online", "not_judging", "offline" (stopped) or "lost" (the broker's word for it)."""
    return json.dumps({"state": state}).encode()


def subscribe(client: mqtt.Client, settings: MqttSection, wanted: tuple[str, ...]) -> None:
    """Ask for all filters at QoS 1; in MQTT 5 without our own messages and without old retained ones."""
    if settings.protocol == CURRENT_VERSION:
        options = SubscribeOptions(
            qos=1, noLocal=True, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB
        )
        client.subscribe([(name, options) for name in wanted])
    else:
        client.subscribe([(name, 1) for name in wanted])


def _connect_properties(settings: MqttSection) -> Properties:
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = settings.session_expiry_s
    properties.ReceiveMaximum = settings.receive_maximum
    properties.MaximumPacketSize = MAX_PACKET_BYTES
    return properties


def publish_properties(settings: MqttSection, expires_s: int | None) -> Properties | None:
    """After how long the broker is to forget a message (MQTT 5, 3.3.2.3.3); MQTT 3.1.1 cannot say it."""
    if expires_s is None or settings.protocol != CURRENT_VERSION:
        return None
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.MessageExpiryInterval = expires_s
    return properties


def _tls(settings: MqttSection) -> ssl.SSLContext:
    try:
        context = ssl.create_default_context(cafile=settings.ca_file)
        if settings.cert_file is not None:
            context.load_cert_chain(settings.cert_file, settings.key_file)
    except (OSError, ValueError) as error:
        files = ", ".join(str(f) for f in (settings.ca_file, settings.cert_file, settings.key_file) if f)
        fault = Fault("mqtt.ca_file, cert_file, key_file", files, f"cannot be used: {error}")
        raise InputError([fault]) from error
    return context
