"""Publishes the simulated sensors' messages to the broker at their simulated times."""

import threading
from collections.abc import Callable, Iterator

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from monitor.clock import FastClock
from monitor.demo.yard_sensors import Send

AHEAD_S = 0.002  # real seconds; a shorter wait is not worth waiting
MOST_ON_THE_WAY = 8
MOST_BEHIND_S = 1_200.0


class Publisher:
    """A thread that plays the stream; one MQTT client a topic, as real sensors have.

    The clock is let run only as far as the service keeps up: `judged_s` is how far it has judged, and
    `received` how many messages have reached it.
    """

    def __init__(
        self,
        address: tuple[str, int],
        stream: Iterator[Send],
        clock: FastClock,
        judged_s: Callable[[], float],
        received: Callable[[], int],
    ) -> None:
        self._address = address
        self._stream = stream
        self._clock = clock
        self._judged_s = judged_s
        self._received = received
        self._clients: dict[str, mqtt.Client] = {}
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._play, name="demo-sensors", daemon=True)
        self.sent = 0

    def start(self) -> None:
        """Begin to play."""
        self._thread.start()

    def stop(self) -> None:
        """Stop playing and disconnect."""
        self._stopping.set()
        self._thread.join()
        for client in self._clients.values():
            client.disconnect()
            client.loop_stop()

    def _play(self) -> None:
        for send in self._stream:
            while self._behind(send.time_s):
                if self._stopping.wait(AHEAD_S):
                    return
            self._clock.allow(send.time_s)
            while (wait_s := self._clock.real_seconds(send.time_s - self._clock.now_s())) > AHEAD_S:
                if self._stopping.wait(min(wait_s, 0.5)):
                    return
            if self._stopping.is_set():
                return
            self._client(send.topic).publish(send.topic, send.payload, qos=1)
            self.sent += 1

    def _behind(self, time_s: float) -> bool:
        return self.sent - self._received() > MOST_ON_THE_WAY or time_s - self._judged_s() > MOST_BEHIND_S

    def _client(self, topic: str) -> mqtt.Client:
        client = self._clients.get(topic)
        if client is None:
            client = mqtt.Client(
                CallbackAPIVersion.VERSION2, client_id=topic.replace("/", "-"), protocol=mqtt.MQTTv5
            )
            client.connect(*self._address)
            client.loop_start()
            self._clients[topic] = client
        return client
