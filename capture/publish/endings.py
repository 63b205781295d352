"""Why a connection to a broker was refused or has ended: what is known, and what to do about it.

Names alone say little ("Unspecified error"), so the code stands beside each (MQTT 5.0, 2.4).
"""

from typing import Any

from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

_UNSPECIFIED = 0x80
_PROTOCOL_ERROR = 0x82
_KEEP_ALIVE_TIMEOUT = 0x8D
_LONGEST = 200  # characters of what the broker says in its own words
_ASK = "ask whoever runs the broker"

#: What to do, by code; of all else trying again is what can be done, and that is done anyhow.
_TO_DO = {
    _UNSPECIFIED: "it gives no reason: see its log",
    0x85: "give this bench a client_id that the broker takes",
    0x86: "check username and password",
    0x87: "check username, password, certificate and the broker's access rules",
    0x88: "it says that it is not available now",
    0x89: "it is busy",
    0x8A: _ASK,
    0x8B: "it shuts down",
    0x8C: "check how this bench is to log in",
    _KEEP_ALIVE_TIMEOUT: "it has not heard from us in time: look at the network between",
    0x8E: "another client uses our client_id: each bench needs one of its own",
    0x98: "somebody ended it there: see its log",
    0x9C: f"it wants another server to be used: {_ASK}",
    0x9D: f"it has moved: {_ASK}",
}


def refused(reason: ReasonCode, properties: Properties | None) -> str:
    """Say how a broker refused our CONNECT."""
    return f"refused us: {_told(reason, properties)}"


def sent_away(reason: ReasonCode, properties: Properties | None) -> str:
    """Say with which DISCONNECT a broker ended a connection."""
    return f"ended the connection: {_told(reason, properties)}"


def lost(reason: ReasonCode, keepalive_s: int) -> str:
    """Say how a connection ended without a word of the broker; ``reason`` is what paho says."""
    if reason.value == _UNSPECIFIED:
        return "the connection is gone without a word: the broker or the network has ended it"
    if reason.value == _KEEP_ALIVE_TIMEOUT:
        return f"does not answer any more: nothing came within the keep-alive of {keepalive_s} s"
    if reason.value == _PROTOCOL_ERROR:
        return "sent what is not MQTT"
    return f"the connection is gone: {reason} (0x{reason.value:02X})"


def _told(reason: ReasonCode, properties: Any) -> str:
    text = f"{reason} (0x{reason.value:02X})"
    own = str(getattr(properties, "ReasonString", "") or "")
    if own:
        text += f", {own[:_LONGEST]!r}"
    to_do = _TO_DO.get(reason.value)
    return f"{text}; {to_do}" if to_do else text
