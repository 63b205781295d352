"""One broker: where it is, who we are to it, and in which words its troubles are told.

What delivers, what listens for the historian and what shows messages to a person ask a broker for
different things, and each moves its bytes in its own way. How a connection begins is the same.
"""

import contextlib
import ssl
from dataclasses import dataclass, field
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from capture.errors import PublishError
from capture.publish import endings

GONE = "the connection to the broker is gone"

_CONNECT_TIMEOUT = 5.0  # seconds for the socket, and for TLS


@dataclass(frozen=True, slots=True)
class Broker:
    """A broker as a client meets it.

    Attributes:
        host, port: where it listens.
        keepalive_s: seconds of silence after which a client says that it is still there.
        username, password: who we are; without a name there is no password either.
        tls: how its certificate is checked, and ours shown; None for no TLS.
    """

    host: str
    port: int
    keepalive_s: int
    username: str = ""
    password: str = field(default="", repr=False)
    tls: ssl.SSLContext | None = None

    def connect(self, client: mqtt.Client, **options: Any) -> None:
        """Say who we are, connect the socket and send CONNECT; ``options`` are of paho's `connect`.

        Raises:
            PublishError: no connection; says why.
        """
        if self.username:
            client.username_pw_set(self.username, self.password or None)
        if self.tls is not None:
            client.tls_set_context(self.tls)
        client.connect_timeout = _CONNECT_TIMEOUT
        try:
            client.connect(self.host, self.port, self.keepalive_s, **options)
        except (OSError, ValueError) as error:
            text = getattr(error, "strerror", None) or str(error) or type(error).__name__
            raise PublishError(self.says(text)) from error

    def says(self, text: object) -> str:
        """Put a trouble into words that name the broker."""
        return f"broker {self.host}:{self.port}: {text}"

    def refused(self, reason: ReasonCode, properties: Properties | None) -> str:
        """Put the reason of a CONNACK that lets nobody in into words."""
        return f"broker {self.host}:{self.port} {endings.refused(reason, properties)}"

    def failed(self, code: MQTTErrorCode) -> str:
        """Put what paho gives of a connection that failed into words."""
        return self.says(mqtt.error_string(code).rstrip(".").lower())


def hang_up(client: mqtt.Client) -> None:
    """Close the socket as it is, without a word to the broker; nothing where there is none."""
    connected = client.socket()
    if connected is not None:
        with contextlib.suppress(OSError):
            connected.close()
