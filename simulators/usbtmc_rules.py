"""What USBTMC 1.0 and its USB488 subclass number, and ways in which devices depart from them.

Tables are cited from memory of both specifications, of 2003-04-14.
"""

from dataclasses import dataclass
from enum import IntEnum

from simulators.settings import flag, option

HEADER = 12
# Message ids, USBTMC table 2 and USB488 table 1.
DEV_DEP_MSG_OUT = 1
REQUEST_DEV_DEP_MSG_IN = 2
DEV_DEP_MSG_IN = 2
TRIGGER = 128
# Status codes, USBTMC table 16 and USB488 table 10.
SUCCESS = 0x01
PENDING = 0x02
FAILED = 0x80
TRANSFER_NOT_IN_PROGRESS = 0x81


class Request(IntEnum):
    """Class requests on the control endpoint: USBTMC table 15, USB488 table 9."""

    INITIATE_ABORT_BULK_OUT = 1
    CHECK_ABORT_BULK_OUT_STATUS = 2
    INITIATE_ABORT_BULK_IN = 3
    CHECK_ABORT_BULK_IN_STATUS = 4
    INITIATE_CLEAR = 5
    CHECK_CLEAR_STATUS = 6
    GET_CAPABILITIES = 7
    INDICATOR_PULSE = 64
    READ_STATUS_BYTE = 128
    REN_CONTROL = 160
    GO_TO_LOCAL = 161
    LOCAL_LOCKOUT = 162


STALLABLE = {
    "abort": {
        Request.INITIATE_ABORT_BULK_OUT,
        Request.CHECK_ABORT_BULK_OUT_STATUS,
        Request.INITIATE_ABORT_BULK_IN,
        Request.CHECK_ABORT_BULK_IN_STATUS,
    },
    "clear": {Request.INITIATE_CLEAR, Request.CHECK_CLEAR_STATUS},
    "capabilities": {Request.GET_CAPABILITIES},
    "indicator": {Request.INDICATOR_PULSE},
    "status": {Request.READ_STATUS_BYTE},
    "remote": {Request.REN_CONTROL, Request.GO_TO_LOCAL, Request.LOCAL_LOCKOUT},
}


@dataclass(frozen=True, slots=True)
class Departures:
    """What the device does against the specification, as real ones are seen to do."""

    raw_continuation: bool = flag(
        "a long answer has one header; the rest follows raw, a new request restarts it"
    )
    eom: str = option("right", "EOM bit of an answer", "right", "always", "never")
    cap: int = option(0, "most payload bytes in one transfer, whatever is asked; 0 is no cap")
    size: str = option("right", "TransferSize in the header", "right", "larger")
    overrun: bool = flag("sends more than was asked for")
    wrong_id: bool = flag("answers have a wrong MsgID")
    wrong_tag: bool = flag("answers have a wrong bTag")
    split_header: bool = flag("the header is a packet of its own")
    no_short_packet: bool = flag("no empty packet after a transfer of whole packets")
    reported_packet: int = option(0, "wMaxPacketSize that the descriptor claims; 0 is the true one")
    needs_lf: bool = flag("waits for LF though EOM is set")
    stalls: str = option("", f"requests that stall, joined by +: {', '.join(STALLABLE)}")
    dead_after_timeout: bool = flag(
        "after a read that timed out, dead until abort with its drain, or clear"
    )
    halt_upsets: bool = flag("CLEAR_FEATURE(HALT) that is not due makes it dead until clear")
    longest_request: int = option(0, "larger requests are not answered; 0 is no such limit")
    needs_remote: bool = flag("answers nothing until REN_CONTROL")

    def stalled_requests(self) -> set[int]:
        """Return the request numbers that stall; raise ValueError for an unknown name."""
        names = [name for name in self.stalls.split("+") if name]
        for name in names:
            if name not in STALLABLE:
                raise ValueError(f"stalls={name}: there are {', '.join(STALLABLE)}")
        return {number for name in names for number in STALLABLE[name]}


class StallError(Exception):
    """The endpoint is halted, or the request is not supported: the host sees a stall."""


class OverflowedError(Exception):
    """The host's buffer ends in the middle of a packet."""
