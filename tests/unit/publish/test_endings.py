"""What is said of a connection that was refused, or that has ended. Codes: MQTT 5.0, 2.4."""

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from scripted import DISCONNECT

from capture.publish.endings import lost, refused, sent_away


def code(value, packet=PacketTypes.DISCONNECT):
    return ReasonCode(packet, identifier=value)


def test_a_loss_without_a_word_says_that_nothing_was_said():
    """Of that paho makes "Unspecified error", as if somebody had said so."""
    said = lost(code(0x80), 30)
    assert said == "the connection is gone without a word: the broker or the network has ended it"
    assert "30 s" in lost(code(0x8D), 30)
    assert lost(code(0x82), 30) == "sent what is not MQTT"


@pytest.mark.parametrize(
    ("value", "says"),
    [
        (0x80, "ended the connection: Unspecified error (0x80); it gives no reason: see its log"),
        (0x8E, "Session taken over (0x8E); another client uses our client_id"),
        (0x8B, "Server shutting down (0x8B); it shuts down"),
        (0x9B, "QoS not supported (0x9B)"),
    ],
)
def test_a_brokers_word_stands_with_its_code_and_what_to_do(value, says):
    assert says in sent_away(code(value), None)


def test_a_refusal_says_what_to_check():
    said = refused(code(0x87, PacketTypes.CONNACK), None)
    assert said.startswith("refused us: Not authorized (0x87); check username, password")


def test_what_the_broker_says_in_its_own_words_is_quoted_and_cannot_run_on():
    properties = Properties(PacketTypes.DISCONNECT)
    properties.ReasonString = "maintenance\x1b[2J" + "x" * 5000
    said = sent_away(code(0x98), properties)
    assert said.isprintable()
    assert "'maintenance\\x1b[2Jxxx" in said
    assert len(said) < 400


# ── through a connection ─────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("end", "says"),
    [
        (lambda session: session.connection.close(), "the connection is gone without a word"),
        (
            lambda session: session.send(DISCONNECT, b"\x8e\x00"),
            "ended the connection: Session taken over (0x8E)",
        ),
        (
            lambda session: session.send(DISCONNECT, b"\x80\x06\x1f\x00\x03why"),
            "ended the connection: Unspecified error (0x80), 'why'; it gives no reason",
        ),
    ],
)
def test_why_a_broker_is_away_is_said(setup, wait_until, end, says):
    def ends(session):
        session.take_connect()
        session.accept()
        end(session)

    it = setup(ends)
    whole = f"broker 127.0.0.1:{it.broker.port}: {says}"
    wait_until(lambda: any(whole in report.reason for report in it.reports))
