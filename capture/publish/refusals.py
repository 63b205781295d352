"""What a broker's refusal of one message means for that message and for those behind it.

Reason codes of PUBACK: MQTT 5.0 §3.4.2.1; of DISCONNECT: §3.14.2.1. With MQTT 3.1.1 a broker
cannot refuse a message: it acknowledges it, or it ends the connection.
"""

from enum import Enum, auto

NO_SUBSCRIBERS = 0x10
UNSUPPORTED_VERSION = 0x84
NOT_AUTHORISED = 0x87
TOPIC_INVALID = 0x90
PACKET_TOO_LARGE = 0x95
PAYLOAD_INVALID = 0x99

#: Of DISCONNECT: one of the messages in flight is at fault, and the broker does not say which.
ROW_FAULTS = frozenset({TOPIC_INVALID, PACKET_TOO_LARGE, PAYLOAD_INVALID})

#: Of CONNACK: a person has to change something, at the broker or here.
NOT_LET_IN = frozenset({0x85, 0x86, NOT_AUTHORISED, 0x8A, 0x8C})


class Action(Enum):
    """What to do about a refused message."""

    PAUSE = auto()
    """Nothing of the kind will pass until a person has changed the broker: stop, and ask again
    now and then with this one message."""
    SET_ASIDE = auto()
    """This message will never pass, others may: put it on the list of dead letters."""
    DOUBT = auto()
    """The broker does not say whose fault it is: try again, and set the message aside when it is
    refused again and again while others pass."""
    LATER = auto()
    """The broker has no room at the moment: try again, however long it takes."""


_ACTIONS = {
    0x80: Action.DOUBT,  # unspecified error
    0x83: Action.DOUBT,  # implementation specific error
    NOT_AUTHORISED: Action.PAUSE,
    TOPIC_INVALID: Action.SET_ASIDE,
    0x91: Action.LATER,  # packet identifier in use
    PACKET_TOO_LARGE: Action.SET_ASIDE,
    0x97: Action.LATER,  # quota exceeded
    PAYLOAD_INVALID: Action.SET_ASIDE,
}


def action_for(code: int) -> Action:
    """Tell what to do about a message refused with this code; unknown codes are in doubt."""
    return _ACTIONS.get(code, Action.DOUBT)
