"""How every connection to a broker begins, with a client that only notes what it is told."""

import ssl

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import MQTTErrorCode

from capture.errors import PublishError
from capture.publish.broker import Broker, hang_up


class Noted:
    """Stands where paho's client would, and keeps what it is asked for."""

    connect_timeout = 99.0

    def __init__(self, error=None):
        self.asked = []
        self._error = error

    def username_pw_set(self, username, password):
        self.asked.append(("name", username, password))

    def tls_set_context(self, context):
        self.asked.append(("tls", context))

    def connect(self, host, port, keepalive, **options):
        self.asked.append(("connect", host, port, keepalive, options, self.connect_timeout))
        if self._error is not None:
            raise self._error


def test_who_we_are_is_said_before_the_socket_is_connected():
    context = ssl.create_default_context()
    client = Noted()
    Broker("plant", 8883, 20, "fan bench", "secret", context).connect(client, clean_start=True)
    assert client.asked == [
        ("name", "fan bench", "secret"),
        ("tls", context),
        ("connect", "plant", 8883, 20, {"clean_start": True}, 5.0),
    ]


@pytest.mark.parametrize(
    ("username", "password", "said"),
    [
        ("", "secret", []),
        ("fan bench", "", [("name", "fan bench", None)]),
    ],
)
def test_a_password_goes_with_a_name_only_and_an_empty_one_is_none(username, password, said):
    client = Noted()
    Broker("plant", 1883, 20, username, password).connect(client)
    assert client.asked[:-1] == said


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (ConnectionRefusedError(111, "Connection refused"), "Connection refused"),
        (TimeoutError("timed out"), "timed out"),
        (TimeoutError(), "TimeoutError"),
        (ValueError("Invalid host."), "Invalid host."),
        (UnicodeError("label too long"), "label too long"),
        (ssl.SSLError(1, "wrong version number"), "wrong version number"),
    ],
    ids=repr,
)
def test_what_keeps_a_connection_from_coming_about_is_said_with_the_broker(error, words):
    with pytest.raises(PublishError) as caught:
        Broker("plant", 1883, 20).connect(Noted(error))
    assert str(caught.value) == f"broker plant:1883: {words}"
    assert caught.value.__cause__ is error


def test_what_paho_gives_of_a_lost_connection_is_put_into_words():
    words = Broker("plant", 1883, 20).failed(MQTTErrorCode.MQTT_ERR_CONN_LOST)
    assert words == "broker plant:1883: the connection was lost"
    assert mqtt.error_string(MQTTErrorCode.MQTT_ERR_CONN_LOST) == "The connection was lost."


def test_the_password_is_not_shown():
    assert "secret" not in repr(Broker("plant", 1883, 20, "fan bench", "secret"))


class Line:
    """A socket that notes being closed, and may raise at it."""

    def __init__(self, error=None):
        self.closed = 0
        self._error = error

    def close(self):
        self.closed += 1
        if self._error is not None:
            raise self._error


@pytest.mark.parametrize("error", [None, OSError(9, "Bad file descriptor")])
def test_hanging_up_closes_the_socket_whatever_it_says(error):
    line = Line(error)
    client = Noted()
    client.socket = lambda: line
    hang_up(client)
    assert line.closed == 1


def test_there_is_nothing_to_hang_up_without_a_socket():
    client = Noted()
    client.socket = lambda: None
    hang_up(client)
    assert client.asked == []
