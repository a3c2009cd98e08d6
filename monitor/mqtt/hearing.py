"""Whether the service hears a topic: a question is sent to it there, and the service says that it came.

A broker grants every subscription and silently delivers nothing of what its access list forbids
(Mosquitto 2.0), so only a message that came shows that a topic may be read.
"""

import json
import re
import secrets
import sys
import threading
from collections.abc import Callable, Iterable
from enum import StrEnum
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.clock import monotonic_s
from monitor.model.errors import DryshiftError
from monitor.mqtt.client import make_asker, make_client, subscribe
from monitor.settings.schema import MqttSection

_QUESTION = re.compile(rb'\{"dryshift_question": "([0-9a-f]{16})"\}')
MOST_ANSWERS_PER_S = 200  # a flood of questions gets no flood of answers
STATE_S = 1.0  # so soon a broker sends what it keeps


class Hearing(StrEnum):
    """What became of a question."""

    HEARD = "heard"
    TAKEN = "taken"  # by the broker
    REFUSED = "refused"  # by the broker, from who asks (MQTT 5, 2.4: 0x87)
    NOT_HEARD = "not_heard"


class NotAskedError(DryshiftError):
    """The broker could not be asked."""


def question_in(payload: bytes) -> str | None:
    """The mark of a question; None for every other message."""
    found = _QUESTION.fullmatch(payload)
    return None if found is None else found[1].decode()


def answer_topic(settings: MqttSection) -> str:
    """Where the service says which question it heard."""
    return f"{settings.topic_root}/service/heard"


def answer(mark: str, topic: str) -> bytes:
    """What it says there."""
    return json.dumps({"question": mark, "topic": topic}).encode()


class AnswerRate:
    """So many answers in a second; what is over it gets none."""

    def __init__(self) -> None:
        self._from_s = 0.0
        self._given = 0

    def allows(self, now_s: float) -> bool:
        """Whether one more may be given now."""
        if now_s - self._from_s >= 1.0:
            self._from_s, self._given = now_s, 0
        self._given += 1
        return self._given <= MOST_ANSWERS_PER_S


class Asker:
    """A connection of its own, that of the commands: asks, and hears the service's answers."""

    def __init__(self, settings: MqttSection, address: tuple[str, int], timeout_s: float) -> None:
        self._settings = settings
        if address[0] == "0.0.0.0":  # where the embedded broker listens; it is met at home
            address = ("127.0.0.1", address[1])
        self._ends_s = monotonic_s() + timeout_s
        self._mark = secrets.token_hex(8)
        self._question = json.dumps({"dryshift_question": self._mark}).encode()
        self._changed = threading.Condition()
        self._problem = f"nothing answers at {address[0]}:{address[1]} within {timeout_s:g} s"
        self._ready = self._gave_up = False
        self._sent: dict[str, int] = {}
        self._answered: dict[int, Hearing] = {}  # by packet
        self._heard: set[str] = set()
        self.service_state = ""  # as the service, or the broker for it, said it last
        self.certificate_ends = ""  # as the certificate says it; empty without TLS
        self._client = make_asker(settings, address)
        self._client.on_connect = self._on_connect
        self._client.on_connect_fail = lambda *_: self._fail(
            f"{address[0]}:{address[1]}: {sys.exc_info()[1]}"
        )
        self._client.on_subscribe = self._on_subscribe
        self._client.on_publish = self._on_publish
        self._client.on_message = self._on_message

    def __enter__(self) -> "Asker":
        self._client.loop_start()
        self._wait(lambda: self._ready)
        if not self._ready:
            # Whoever drips at a handshake would hold up the end of the thread; a command ends without it.
            threading.Thread(target=self._client.loop_stop, daemon=True).start()
            raise NotAskedError(self._problem)
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def service_is_there(self) -> bool:
        """Whether a service says so, on whatever machine; what it said last is kept by the broker."""
        with self._changed:
            self._changed.wait_for(lambda: bool(self.service_state), STATE_S)
        return self.service_state in ("online", "not_judging")

    def ask(self, topics: Iterable[str]) -> dict[str, Hearing]:
        """Ask on each topic, and wait for all answers or the end of the time."""
        asked = tuple(topics)
        self._send(asked, self._question, retain=False)
        ends = (Hearing.HEARD, Hearing.REFUSED)
        self._wait(lambda: all(self._said(one) in ends for one in asked))
        return {one: said if (said := self._said(one)) in ends else Hearing.NOT_HEARD for one in asked}

    def try_writing(self, topics: Iterable[str]) -> dict[str, Hearing]:
        """Whether the broker takes a question on each topic, whoever hears it."""
        asked = tuple(topics)
        self._send(asked, self._question, retain=False)
        self._wait(lambda: all(self._said(one) is not Hearing.NOT_HEARD for one in asked))
        return {one: self._said(one) for one in asked}

    def publish(self, topic: str, payload: bytes) -> str | None:
        """Publish retained; None when the broker has it, else the reason."""
        self._send((topic,), payload, retain=True)
        self._wait(lambda: self._said(topic) is not Hearing.NOT_HEARD)
        if self._said(topic) is Hearing.REFUSED:
            return f"the broker refuses {topic}: its access list lacks it"
        return None if self._said(topic) is Hearing.TAKEN else "the broker did not answer in time"

    def heard(self, topic: str, mark: str) -> None:
        """The service says, or who stands in for it, that a question came."""
        if mark == self._mark:
            with self._changed:
                self._heard.add(topic)
                self._changed.notify_all()

    def _send(self, topics: Iterable[str], payload: bytes, *, retain: bool) -> None:
        # The client calls back with its own lock held, so it is never called with ours held.
        for topic in topics:
            self._sent[topic] = self._client.publish(topic, payload, qos=1, retain=retain).mid

    def _said(self, topic: str) -> Hearing:
        if topic in self._heard:
            return Hearing.HEARD
        return self._answered.get(self._sent.get(topic, -1), Hearing.NOT_HEARD)

    def _wait(self, done: Callable[[], bool]) -> None:
        with self._changed:
            left_s = max(0.0, self._ends_s - monotonic_s())
            self._changed.wait_for(lambda: done() or self._gave_up, left_s)

    def _fail(self, why: str) -> None:
        with self._changed:
            self._problem, self._gave_up = why, True
            self._changed.notify_all()

    # --- called by the client, on its thread ---

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, code: Any, _props: Any) -> None:
        if code.is_failure:
            self._fail(f"the broker refuses the connection: {code}")
            return
        used: Any = client.socket()
        if hasattr(used, "getpeercert"):
            self.certificate_ends = str((used.getpeercert() or {}).get("notAfter", ""))
        root = self._settings.topic_root
        client.subscribe([(f"{root}/service/state", 1), (answer_topic(self._settings), 1)])

    def _on_subscribe(self, *_: Any) -> None:
        with self._changed:
            self._ready = True
            self._changed.notify_all()

    def _on_publish(self, _client: mqtt.Client, _data: Any, mid: int, code: Any, _props: Any) -> None:
        with self._changed:
            self._answered[mid] = Hearing.REFUSED if code.is_failure else Hearing.TAKEN
            self._changed.notify_all()

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        try:
            said = json.loads(message.payload)
            if message.topic == answer_topic(self._settings):
                self.heard(str(said["topic"]), str(said["question"]))
            else:
                with self._changed:
                    self.service_state = str(said["state"])
                    self._changed.notify_all()
        except (ValueError, KeyError, TypeError):
            return  # nothing that the service says


class StandIn:
    """Has the service's place while it does not run, and only listens.

    Nothing is acknowledged, so that all that waits for the service comes to it again. A session that was not
    there before ends with this.
    """

    def __init__(self, settings: MqttSection, address: tuple[str, int], wanted: tuple[str, ...]) -> None:
        self._settings, self._wanted = settings, wanted
        self._subscribed = threading.Event()
        self._asker: Asker | None = None
        self._had_session = True
        self.refused = ""
        self.held = 0  # messages that wait for the service
        self._client = make_client(settings, *address)
        self._client.will_clear()
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_message = self._on_message

    def listen(self, asker: Asker, timeout_s: float) -> bool:
        """Begin; false where the broker did not let it in."""
        self._asker = asker
        self._client.loop_start()
        return self._subscribed.wait(timeout_s)

    def stop(self) -> None:
        """Leave the session as it was."""
        if self._settings.protocol == "5" and not self._had_session:
            gone = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call]
            gone.SessionExpiryInterval = 0
            self._client.disconnect(properties=gone)
        else:
            self._client.disconnect()
        self._client.loop_stop()

    @property
    def is_full(self) -> bool:
        """Whether so much waits that a question may stand behind it."""
        return self.held >= self._settings.receive_maximum

    def _on_connect(self, client: mqtt.Client, _data: Any, flags: Any, code: Any, _props: Any) -> None:
        if code.is_failure:
            self.refused = str(code)
            return
        self._had_session = flags.session_present
        subscribe(client, self._settings, self._wanted)

    def _on_message(self, client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        mark = question_in(bytes(message.payload))
        if mark is None:
            self.held += 1
            return
        client.ack(message.mid, message.qos)
        if self._asker is not None:
            self._asker.heard(message.topic, mark)
