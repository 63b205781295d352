"""A subscriber of our own, for ``follow`` and for the demo: broker in, messages out.

MQTT 3.1.1 is enough to listen, and every broker speaks it. paho's callbacks only put into a queue;
its own thread reconnects.
"""

import queue
import ssl
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from capture.errors import PublishError
from capture.publish.broker import Broker

_WAIT = 0.25
_KEEPALIVE = 20


@dataclass(frozen=True, slots=True)
class Message:
    """One message as received."""

    topic: str
    payload: bytes
    retained: bool


class Subscriber:
    """Listens to one topic filter.

    With a ``client_id`` the broker keeps what comes while we are away (a persistent session).

    Raises PublishError where there is no connection; says why.
    """

    def __init__(
        self,
        host: str,
        port: int,
        topic: str,
        *,
        username: str = "",
        password: str = "",
        client_id: str = "",
        tls: ssl.SSLContext | None = None,
    ) -> None:
        self.subscribed = threading.Event()
        self._broker = Broker(host, port, _KEEPALIVE, username, password, tls)
        self._topic = topic
        self._queue: queue.Queue[Message | PublishError] = queue.Queue()
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id,
            clean_session=not client_id,
            protocol=MQTTProtocolVersion.MQTTv311,
        )
        self._client.reconnect_delay_set(1, 5)
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message
        try:
            self._broker.connect(self._client)
        except PublishError as error:
            raise PublishError(f"{error}; is it running?") from error
        self._client.loop_start()

    def messages(self, stop: threading.Event) -> Iterator[Message]:
        """Give messages as they come, until ``stop`` is set.

        Raises:
            PublishError: the broker refused us.
        """
        while not stop.is_set():
            try:
                item = self._queue.get(timeout=_WAIT)
            except queue.Empty:
                continue
            if isinstance(item, PublishError):
                raise item
            yield item

    def close(self) -> None:
        """Disconnect and end paho's thread."""
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(
        self,
        client: mqtt.Client,
        _data: Any,
        _flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self._queue.put(PublishError(self._broker.refused(reason, properties)))
        else:
            client.subscribe(self._topic, qos=1)

    def _on_subscribe(
        self,
        _client: mqtt.Client,
        _data: Any,
        _mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        if any(reason.is_failure for reason in reasons):
            self._queue.put(
                PublishError(self._broker.says(f"does not let us subscribe to {self._topic}"))
            )
        self.subscribed.set()

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self._queue.put(Message(message.topic, bytes(message.payload), message.retain))
