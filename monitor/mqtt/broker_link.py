"""Keeps one connection to the broker alive on its own thread: reads, acknowledges, publishes."""

import logging
import random
import selectors
import socket
import threading
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from monitor.clock import Clock, monotonic_s
from monitor.model.back_off import BackOff
from monitor.mqtt.client import make_link_client, publish_properties, state_payload, state_topic, subscribe
from monitor.mqtt.hearing import AnswerRate, answer, answer_topic, question_in
from monitor.mqtt.intake import Intake
from monitor.mqtt.missing_messages import LostSession
from monitor.mqtt.packet_socket import PacketSocket
from monitor.mqtt.pending_batch import BrokerDelivery, PendingBatch, PendingReadings, content_of
from monitor.settings.schema import MqttSection

BURST_MESSAGES = 200
MISC_EVERY_S = 1.0
AGAIN = BackOff(first_s=0.5, most_s=30.0)
STEADY_AFTER_S = 10.0  # a connection that held this long starts the back-off anew
GOODBYE_S = 2.0
PUBLISH_S = 10.0
# Flow control keeps QoS 1 within the receive maximum. Only unprotected messages can exceed it, and
# then they are left in the network until the store takes again.
HELD_WINDOWS = 2
HELD_WAIT_S = 0.05
LOST_REMEMBERED = 64

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class LinkState:
    """How the connection stands."""

    connected: bool = False
    subscribed: bool = False
    since_s: float = 0.0
    last_error: str = ""


class BrokerLink:
    """The network side of ingest. All MQTT calls but `publish` are made on its own thread.

    The client is driven through its calls for external event loops. Its own loop waits on the
    socket once a message; this one reads until the socket is empty, takes what is published out of
    what it read (`packet_socket`), and sends a batch's acknowledgements together.
    """

    def __init__(
        self, settings: MqttSection, address: tuple[str, int], wanted: tuple[str, ...], clock: Clock
    ) -> None:
        self._settings = settings
        self._address = address
        self._wanted = wanted
        self._clock = clock
        self._client = make_link_client(settings, *address)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message
        self._client.on_socket_register_write = lambda *_: self._wake()
        self._intake: Intake
        self._pending: PendingReadings
        self._burst = PendingBatch()
        self._arrived_s = 0.0
        self._connection = 0
        self._answered = False
        self._held_most = HELD_WINDOWS * settings.receive_maximum + BURST_MESSAGES
        self._durable: deque[list[BrokerDelivery]] = deque()
        self._stopping = threading.Event()
        self._leaving = False
        self._wake_r, self._wake_w = socket.socketpair()
        self._wake_r.setblocking(False)
        self._wake_w.setblocking(False)
        self._thread: threading.Thread | None = None
        self._said = "online"
        self._answers = AnswerRate()
        self.state = LinkState(since_s=clock.now_s())
        self.lost_sessions: deque[LostSession] = deque(maxlen=LOST_REMEMBERED)

    def start(self, intake: Intake, pending: PendingReadings) -> None:
        """Begin to connect, and go on trying."""
        self._intake, self._pending = intake, pending
        self._thread = threading.Thread(target=self._run, name="ingest-link", daemon=True)
        self._thread.start()

    def acknowledge(self, deliveries: list[BrokerDelivery]) -> None:
        """Tell the broker that these are durable; called from the committing thread."""
        self._durable.append(deliveries)
        self._wake()

    def take_no_more(self) -> None:
        """Leave further messages with the broker."""
        self._leaving = True

    def stop(self, timeout_s: float) -> None:
        """Send what is to be acknowledged, say goodbye, and end the thread."""
        self._stopping.set()
        self._wake()
        if self._thread is not None:
            self._thread.join(timeout_s)
        self._wake_r.close()
        self._wake_w.close()

    def publish(self, topic: str, payload: bytes, expires_s: int | None = None) -> str | None:
        """Publish retained at QoS 1 and wait for the broker; None when it has it, else the reason."""
        if not self.state.connected:
            return f"the broker is away: {self.state.last_error or 'not connected yet'}"
        self._intake.own_topics.add(topic)
        properties = publish_properties(self._settings, expires_s)
        info = self._client.publish(topic, payload, qos=1, retain=True, properties=properties)
        try:
            info.wait_for_publish(PUBLISH_S)
        except (RuntimeError, ValueError) as error:
            return str(error)
        return None if info.is_published() else f"the broker did not answer within {PUBLISH_S:g} s"

    def say_state(self, state: str) -> None:
        """Publish the service's state, retained, where it is another than before."""
        if state != self._said:
            self._said = state
            if self.state.connected:
                self._client.publish(state_topic(self._settings), state_payload(state), qos=1, retain=True)

    def _wake(self) -> None:
        if self._thread is not None and threading.get_ident() == self._thread.ident:
            return
        try:
            self._wake_w.send(b"!")
        except (BlockingIOError, OSError):
            return  # full: a wake-up is on its way; closed: the thread has ended

    # --- the network thread ---

    def _run(self) -> None:
        failures = 0
        while not self._stopping.is_set():
            began = monotonic_s()
            self._answered = False
            try:
                self._client.reconnect()
                self._serve()
            except (OSError, ValueError) as error:
                self._say_lost(f"cannot reach the broker at {self._where()}: {error}")
            except Exception as error:  # loop border: the link must outlive any defect
                log.exception("the broker link met a defect")
                self._say_lost(f"defect: {type(error).__name__}: {error}")
            if monotonic_s() - began >= STEADY_AFTER_S:
                failures = 0
            failures += 1
            self._stopping.wait(AGAIN.wait_s(failures) * random.uniform(0.5, 1.0))

    def _where(self) -> str:
        return f"{self._address[0]}:{self._address[1]}"

    def _serve(self) -> None:
        """Read and write until the connection is gone or the service stops."""
        with selectors.DefaultSelector() as selector:
            selector.register(self._wake_r, selectors.EVENT_READ)
            sock: Any = self._client.socket()
            selector.register(sock, selectors.EVENT_READ)
            misc_at = monotonic_s() + MISC_EVERY_S
            more = False
            while self._client.socket() is not None:
                more = self._step(selector, more)
                if monotonic_s() >= misc_at:
                    self._client.loop_misc()
                    misc_at = monotonic_s() + MISC_EVERY_S
                if self._stopping.is_set():
                    self._say_goodbye(selector)
                    return

    def _step(self, selector: selectors.BaseSelector, more: bool) -> bool:
        """Write, wait for something to do, and do it; true when the socket may hold more already."""
        if self._client.want_write():
            self._client.loop_write()
        sock = self._wire()
        if sock is None:
            return False
        sock.write()
        blocked = selectors.EVENT_WRITE if sock.unsent else 0
        selector.modify(sock, selectors.EVENT_READ | blocked)
        unread = more or sock.pending() > 0
        ready = {key.fileobj: events for key, events in selector.select(0.0 if unread else MISC_EVERY_S)}
        if self._wake_r in ready:
            self._wake_r.recv(4096)
        filled = False
        if unread or ready.get(sock, 0) & selectors.EVENT_READ:
            filled = self._read_burst(sock)
        self._send_acknowledgements()
        return filled

    def _wire(self) -> PacketSocket | None:
        """The connection, where there is one; TypeError where the library made it in another way."""
        sock: object = self._client.socket()
        if sock is not None and not isinstance(sock, PacketSocket):
            raise TypeError(f"found {type(sock).__name__}; this release of paho-mqtt is not supported")
        return sock

    def _read_burst(self, sock: PacketSocket) -> bool:
        """Read until the socket is empty or the burst is full; not at all while too much is held."""
        if self._pending.messages() >= self._held_most:
            self._stopping.wait(HELD_WAIT_S)
            return False
        self._arrived_s = self._pending.open_burst()
        burst = self._burst = PendingBatch()
        try:
            return all(self._read_one(sock) for _ in range(BURST_MESSAGES))
        finally:
            self._pending.close_burst(burst)

    def _read_one(self, sock: PacketSocket) -> bool:
        """Take one message, or let the client read what is its; False where nothing more is to be read."""
        message = sock.published()
        if message is not None:
            self._take(*message)
            return True
        if not sock.is_for_client and sock.fill():
            return True
        return sock.is_for_client and self._client.loop_read() == MQTTErrorCode.MQTT_ERR_SUCCESS

    def _send_acknowledgements(self) -> None:
        sock, connection = self._wire(), self._connection
        sent: list[BrokerDelivery] = []
        while self._durable:
            for delivery in self._durable.popleft():
                delivery.durable = True
                if delivery.connection == connection:
                    sent.append(delivery)
        if sock is not None and self.state.connected:
            sock.acknowledge([delivery.mid for delivery in sent])
            for delivery in sent:
                self._intake.acknowledged(delivery)

    def _say_goodbye(self, selector: selectors.BaseSelector) -> None:
        if self.state.connected:
            last = self._client.publish(
                state_topic(self._settings), state_payload("offline"), qos=1, retain=True
            )
            until = monotonic_s() + GOODBYE_S
            while not last.is_published() and self._client.socket() is not None and monotonic_s() < until:
                self._step(selector, False)
        self._client.disconnect()
        if self._client.socket() is not None:
            self._client.loop_write()

    def _say_lost(self, why: str) -> None:
        if self.state.connected or self.state.last_error != why:
            log.warning("%s", why)
        since_s = self._clock.now_s() if self.state.connected else self.state.since_s
        self.state = LinkState(since_s=since_s, last_error=why)

    # --- called by the client, on the network thread ---

    def _on_connect(
        self,
        client: mqtt.Client,
        _data: Any,
        flags: mqtt.ConnectFlags,
        code: ReasonCode,
        _props: Properties | None,
    ) -> None:
        self._answered = True
        if code.is_failure:
            self._say_lost(_refusal(self._where(), str(code)))
            return
        self._connection += 1
        if not flags.session_present:
            self._intake.forget_deliveries()
            self._note_lost_session()
        self.state = LinkState(connected=True, since_s=self._clock.now_s())
        log.info("connected to the broker at %s, session %s", self._where(), flags.session_present)
        subscribe(client, self._settings, self._wanted)
        client.publish(state_topic(self._settings), state_payload(self._said), qos=1, retain=True)

    def _note_lost_session(self) -> None:
        """The broker has none for us; where it had one, what it held for us is gone.

        An embedded broker that was started with this process never had one: nobody could send to it.
        """
        since_s = self._intake.heard_s
        first_of_own = self._connection == 1 and self._settings.broker == "embedded"
        if since_s is None or first_of_own:
            return
        now_s = self._clock.now_s()
        log.error("the broker at %s forgot the session; what it held for us is lost", self._where())
        self.lost_sessions.append(LostSession(min(since_s, now_s), now_s))

    def _on_disconnect(
        self,
        _client: mqtt.Client,
        _data: Any,
        _flags: mqtt.DisconnectFlags,
        code: ReasonCode,
        _props: Properties | None,
    ) -> None:
        if self._stopping.is_set():
            self.state = LinkState(since_s=self._clock.now_s(), last_error="stopped")
        elif self.state.connected or not self._answered:
            self._say_lost(_loss(self._where(), str(code), self._settings.client_id))

    def _on_subscribe(
        self,
        _client: mqtt.Client,
        _data: Any,
        _mid: int,
        codes: Iterable[ReasonCode],
        _props: Properties | None,
    ) -> None:
        refused = [
            f"{name}: {code}" for name, code in zip(self._wanted, codes, strict=False) if code.is_failure
        ]
        why = f"the broker refuses a subscription ({'; '.join(refused)}); check its access list"
        if refused:
            log.error("%s", why)
        subscribed = len(refused) < len(self._wanted)
        self.state = replace(self.state, subscribed=subscribed, last_error=why if refused else "")

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        """One of QoS 2, which no broker sends to who asked for QoS 1 (MQTT 5, 3.8.4)."""
        log.error(
            "the broker sent a message of QoS %d, which was not asked for; it is not taken", message.qos
        )

    # --- what is published ---

    def _take(self, topic: bytes, payload: bytes, mid: int, retained: bool) -> None:
        """Take one message in; its identifier is 0 where the broker waits for no acknowledgement."""
        if self._leaving:
            return
        try:
            name = topic.decode()
        except UnicodeDecodeError:
            name = "a topic that is not UTF-8"
        asked = question_in(payload)
        if asked is not None:
            self._answer(name, asked, mid, retained=retained)
            return
        try:
            delivery = None
            if mid:
                known = self._intake.redelivered(mid, name, payload, self._connection)
                if known is not None:
                    if known.durable:
                        self._durable.append([known])
                    return
                delivery = BrokerDelivery(mid, content_of(name, payload), self._connection)
            self._intake.take(
                name,
                payload,
                retained=retained,
                arrived_s=self._arrived_s,
                into=self._burst,
                delivery=delivery,
            )
        except Exception as error:  # noqa: BLE001 (loop border: one message must not stop the others)
            self._intake.unreadable(name, payload, self._arrived_s, error, self._burst)

    def _answer(self, topic: str, asked: str, mid: int, *, retained: bool) -> None:
        """Say that the question of `dryshift check` came, and on which topic; it is no reading."""
        sock = self._wire()
        if mid and sock is not None:
            sock.acknowledge([mid])
        if not retained and self._answers.allows(monotonic_s()):
            self._client.publish(answer_topic(self._settings), answer(asked, topic), qos=1)


def _refusal(where: str, code: str) -> str:
    fixes = {
        "Not authorized": "check mqtt.username, mqtt.password and the broker's access list",
        "Bad user name or password": "check mqtt.username and mqtt.password",
        "Unsupported protocol version": 'set mqtt.protocol to "3.1.1"',
        "Client identifier not valid": "change mqtt.client_id",
    }
    return f"the broker at {where} refuses the connection: {code}; {fixes.get(code, 'see its log')}"


def _loss(where: str, code: str, client_id: str) -> str:
    if code == "Session taken over":
        return f"another program connects to {where} as {client_id!r}; give each its own mqtt.client_id"
    hint = f"; if this repeats, look for another program that connects as {client_id!r}"
    return f"the connection to {where} was lost: {code}{hint if code == 'Unspecified error' else ''}"
