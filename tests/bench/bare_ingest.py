"""The bare side of `ingest_bench`: the client library as its manual shows it, and the standard JSON reader.

Run by ingest_bench: python -m tests.bench.bare_ingest HOW PROTOCOL PORT MESSAGES. It imports nothing of the
service, whose libraries and objects would slow it.
"""

import json
import sys
import threading
import time
from collections.abc import Callable
from typing import Protocol

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

HOST = "127.0.0.1"
WINDOW = 2_000
SUBSCRIBED_S, DONE_S = 10.0, 300.0


class Subscriber(Protocol):
    """What is measured: it knows how many messages it waits for."""

    def start(self) -> None: ...
    def wait(self) -> None: ...
    def stop(self) -> None: ...


def measured(make: Callable[[], Subscriber], how: str) -> None:
    """Say "ready", read everything once told to, and say how many seconds and processor seconds that took.

    With `drain` the messages wait in the broker before the subscriber connects again; with `live` they come.
    """
    subscriber = make()
    subscriber.start()
    if how == "drain":
        subscriber.stop()
    print("ready", flush=True)
    sys.stdin.readline()
    if how == "drain":
        subscriber = make()
    began = time.perf_counter(), time.process_time()
    if how == "drain":
        subscriber.start()
    subscriber.wait()
    print(json.dumps([time.perf_counter() - began[0], time.process_time() - began[1]]), flush=True)
    subscriber.stop()


class Bare:
    """QoS 1, the library's own threaded loop, acknowledged on receipt, nothing stored."""

    def __init__(self, protocol: str, port: int, messages: int) -> None:
        self._is_5 = protocol == "5"
        self._wanted, self._seen, self._port = messages, 0, port
        self._done, self._ready = threading.Event(), threading.Event()
        version = mqtt.MQTTv5 if self._is_5 else mqtt.MQTTv311
        clean = None if self._is_5 else False
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id="bare", protocol=version, clean_session=clean
        )
        self._client.on_message = self._on_message
        self._client.on_connect = lambda c, *_: c.subscribe("dryshift/+/+/+", 1)
        self._client.on_subscribe = lambda *_: self._ready.set()

    def _on_message(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        json.loads(message.payload)
        self._seen += 1
        if self._seen == self._wanted:
            self._done.set()

    def start(self) -> None:
        if self._is_5:
            properties = Properties(PacketTypes.CONNECT)
            properties.SessionExpiryInterval = 3600
            properties.ReceiveMaximum = WINDOW
            self._client.connect(HOST, self._port, clean_start=False, properties=properties)
        else:
            self._client.connect(HOST, self._port)
        self._client.loop_start()
        self._ready.wait(SUBSCRIBED_S)

    def wait(self) -> None:
        assert self._done.wait(DONE_S)

    def stop(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


if __name__ == "__main__":
    way, version, port, count = sys.argv[1:]
    measured(lambda: Bare(version, int(port), int(count)), way)
