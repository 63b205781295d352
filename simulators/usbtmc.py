"""A USBTMC device with the USB488 subclass around any simulated instrument; sans-I/O.

Written from "USB Test and Measurement Class Specification" 1.0 and its USB488 subclass 1.0, both
of 2003-04-14; tables are cited from memory. `Departures` are ways in which real devices are seen
to depart from the specification, each off by default.

Theory of operation. Bulk-OUT bytes are collected until a transfer is complete, known by the size in
its 12-byte header. Whole messages go to the instrument; each run of bytes that it gives back is
one response message. A REQUEST_DEV_DEP_MSG_IN makes the next part of the oldest response message
into a Bulk-IN transfer, which is a list of packets, the last one short. `complaints` collects what
the host did against the specification, so that a test can ask for none.

One class, since every request meets the same state: halts, tags, and the answer that is under way.
What depends on none of it stands in `usbtmc_rules.py` and `usbtmc_packets.py`.
"""

from collections import deque

from simulators.instrument import Instrument, MessageBased
from simulators.usbtmc_packets import InRequest, capabilities, transfer_of
from simulators.usbtmc_rules import (
    DEV_DEP_MSG_OUT,
    FAILED,
    HEADER,
    PENDING,
    REQUEST_DEV_DEP_MSG_IN,
    STALLABLE,
    SUCCESS,
    TRANSFER_NOT_IN_PROGRESS,
    TRIGGER,
    Departures,
    OverflowedError,
    Request,
    StallError,
)

_SERVICE_REQUEST = 0x40
_MOST_ANSWERS = 64
_STATUS_TAGS = range(2, 128)


class UsbtmcDevice:
    """A USBTMC or USB488 device.

    packet: true wMaxPacketSize of the bulk endpoints. usb488: offer the subclass.
    interrupt: with usb488, status bytes come on the interrupt endpoint.
    """

    def __init__(
        self,
        instrument: Instrument,
        departures: Departures | None = None,
        *,
        packet: int = 512,
        usb488: bool = True,
        interrupt: bool = True,
    ) -> None:
        self.instrument = instrument
        self.departures = departures if departures is not None else Departures()
        self.packet = packet
        self.usb488 = usb488
        self.interrupt = usb488 and interrupt
        self.complaints: list[str] = []
        self._stalled = self.departures.stalled_requests()
        self._remote = False
        self._dead = False
        self._out = bytearray()
        self._out_halted = False
        self._out_halt_due = False
        self._message = bytearray()
        self._last_tag = 0
        self._answers: deque[bytearray] = deque()
        self._begun = False
        self._whole = b""
        self._request: InRequest | None = None
        self._packets: deque[bytes] = deque()
        self._sending_tag: int | None = None
        self._sent = 0
        self._aborting = False
        self._clearing = False
        self._interrupts: deque[bytes] = deque(maxlen=_MOST_ANSWERS)
        self._serviced = False

    # Bulk-OUT ----------------------------------------------------------------------------------

    def bulk_out(self, data: bytes, now: float) -> None:
        """Take one write of the host; raise StallError while the endpoint is halted."""
        if self._out_halted:
            raise StallError
        if self._dead:
            return
        self._out += data
        while len(self._out) >= HEADER:
            size = self._transfer_size()
            if len(self._out) < HEADER + size:
                break
            padded = HEADER + -(-size // 4) * 4
            taken = min(padded, len(self._out))
            if taken < padded:
                self._complain("a Bulk-OUT transfer is not padded to a multiple of 4 bytes")
            transfer = bytes(self._out[: HEADER + size])
            del self._out[:taken]
            self._transfer(transfer, now)
        if self._out and len(data) % self.packet:
            # A short packet ends a transfer (USB 2.0 §5.8.3); what is left was no whole one.
            self._complain("a Bulk-OUT transfer ends before its TransferSize")
            self._halt_out()

    def _transfer_size(self) -> int:
        if self._out[0] == DEV_DEP_MSG_OUT:
            return int.from_bytes(self._out[4:8], "little")
        return 0

    def _transfer(self, transfer: bytes, now: float) -> None:
        kind, tag, inverse = transfer[0], transfer[1], transfer[2]
        known = {DEV_DEP_MSG_OUT, REQUEST_DEV_DEP_MSG_IN} | ({TRIGGER} if self.usb488 else set())
        if kind not in known or tag == 0 or inverse != tag ^ 0xFF:
            self._complain(f"a Bulk-OUT header is not valid: {transfer[:HEADER].hex(' ')}")
            self._halt_out()
            return
        if tag == self._last_tag:
            self._complain(f"bTag {tag} is used twice in a row")
        if transfer[3]:
            self._complain("a reserved byte of a Bulk-OUT header is not 0")
        self._last_tag = tag
        if kind == DEV_DEP_MSG_OUT:
            self._message_out(transfer, now)
        elif kind == REQUEST_DEV_DEP_MSG_IN:
            self._request_in(transfer, now)
        else:
            self._hand_over(b"*TRG\n", now)

    def _message_out(self, transfer: bytes, now: float) -> None:
        if len(transfer) == HEADER:
            self._complain("DEV_DEP_MSG_OUT without a payload")
        self._forget_unread()
        self._message += transfer[HEADER:]
        if not transfer[8] & 1:  # EOM
            return
        message = bytes(self._message)
        self._message.clear()
        if not message.endswith(b"\n") and not self.departures.needs_lf:
            message += b"\n"
        self._hand_over(message, now)

    def _forget_unread(self) -> None:
        """Throw unread answers away when the host writes anew (IEEE 488.2 §6.3.2.3)."""
        unread = bool(self._answers) or any(self._packets)
        self._answers.clear()
        self._begun = False
        self._drop_packets()
        self._sending_tag = None
        if unread and isinstance(self.instrument, MessageBased):
            self.instrument.interrupted()
        self._request = None
        self._whole = b""

    def _hand_over(self, message: bytes, now: float) -> None:
        if self.departures.needs_remote and not self._remote:
            return
        self._keep(self.instrument.received(message, now))

    def _keep(self, answer: bytes) -> None:
        if answer and len(self._answers) < _MOST_ANSWERS:
            self._answers.append(bytearray(answer))
        self._watch_service()

    def _request_in(self, transfer: bytes, now: float) -> None:
        size = int.from_bytes(transfer[4:8], "little")
        if size == 0:
            self._complain("REQUEST_DEV_DEP_MSG_IN for 0 bytes")
        # An empty packet that is left over is no answer: whole packets may fill the host's buffer.
        if self._request is not None or any(self._packets):
            self._complain("a request before the answer to the last one was read")
        if self.departures.longest_request and size > self.departures.longest_request:
            return
        self._drop_packets()
        if self.departures.raw_continuation and self._whole:
            # The repeated request starts the message again.
            self._answers.appendleft(bytearray(self._whole))
            self._begun = False
            self._whole = b""
        self._request = InRequest(transfer[1], size, transfer[9] if transfer[8] & 2 else None)
        self.work(now)
        silent = not self._packets and self.instrument.wake_at() is None
        if silent and not self._dead and isinstance(self.instrument, MessageBased):
            self.instrument.unterminated()
            self._watch_service()

    # Bulk-IN -----------------------------------------------------------------------------------

    def work(self, now: float) -> None:
        """Let the instrument speak, and answer a waiting request when there is something."""
        self._keep(self.instrument.spoken(now))
        if self._request is None or self._packets or self._dead or not self._answers:
            return
        request, self._request = self._request, None
        self._answer(request)

    def wake_at(self) -> float | None:
        """Return when the instrument is due."""
        return self.instrument.wake_at()

    def bulk_in(self, room: int) -> tuple[bytes, bool]:
        """Return what one read of `room` bytes gets by now, and whether the read is complete.

        A read is complete when its buffer is full or a short packet came; else the host waits on.
        Raises OverflowedError when a packet does not fit into what is left of the buffer.
        """
        data = bytearray()
        while self._packets and len(data) < room:
            if len(self._packets[0]) > room - len(data):
                raise OverflowedError
            packet = self._packets.popleft()
            data += packet
            self._sent += len(packet)
            if len(packet) < self.packet:
                if not self._packets:
                    self._sending_tag = None
                    if self._aborting:
                        self._dead = False
                    self._aborting = self._clearing = False
                return bytes(data), True
        if not self._packets and data:
            self._sending_tag = None
        return bytes(data), len(data) == room

    def read_timed_out(self) -> None:
        """Note that the host gave up a read."""
        if self.departures.dead_after_timeout and (self._request is not None or self._packets):
            self._dead = True

    def _answer(self, request: InRequest) -> None:
        """Make the Bulk-IN transfer for a request out of the oldest answer."""
        answer = self._answers[0]
        made = transfer_of(bytes(answer), request, self.departures, self.packet)
        if made.raw:
            self._whole = bytes(answer)
            self._answers.popleft()
        else:
            del answer[: made.taken]
            self._begun = bool(answer)
            if not answer:
                self._answers.popleft()
        self._packets.extend(made.packets)
        self._sending_tag = request.tag
        self._sent = 0

    # Control -----------------------------------------------------------------------------------

    def control(self, request: int, value: int, length: int, now: float) -> bytes:
        """Answer a class request of at most `length` bytes; raise StallError when unsupported."""
        if request in self._stalled:
            raise StallError
        if request in STALLABLE["abort"]:
            answer = self._abort(request, value)
        elif request == Request.READ_STATUS_BYTE and self.usb488:
            answer = self._read_status(value, now)
        elif request in STALLABLE["remote"] and self.usb488:
            self._remote = self._remote if request != Request.REN_CONTROL else bool(value)
            answer = bytes([SUCCESS])
        else:
            answer = self._plain(request)
        if length < len(answer):
            self._complain(f"request {request} asked with {length} bytes, needs {len(answer)}")
        return answer[:length]

    def _plain(self, request: int) -> bytes:
        """Answer a request that depends on nothing but the device's state."""
        match request:
            case Request.INITIATE_CLEAR:
                return self._clear()
            case Request.CHECK_CLEAR_STATUS:
                return bytes([PENDING, 1] if self._clearing else [SUCCESS, 0])
            case Request.GET_CAPABILITIES:
                return capabilities(usb488=self.usb488, interrupt=self.interrupt)
            case Request.INDICATOR_PULSE:
                return bytes([SUCCESS])
            case _:
                raise StallError

    def _read_status(self, tag: int, now: float) -> bytes:
        if tag not in _STATUS_TAGS:
            self._complain(f"READ_STATUS_BYTE with bTag {tag}, allowed are 2 to 127")
            return bytes([FAILED, tag & 0xFF, 0])
        self.work(now)
        status = self._status()
        self._serviced = False
        if self.interrupt:
            self._interrupts.append(bytes([0x80 | tag, status]))
            status = 0
        return bytes([SUCCESS, tag, status])

    def _abort(self, request: int, value: int) -> bytes:
        match request:
            case Request.INITIATE_ABORT_BULK_OUT:
                if not self._out and not self._message:
                    return bytes([FAILED, self._last_tag])
                if value != self._last_tag and not self._out:
                    return bytes([TRANSFER_NOT_IN_PROGRESS, self._last_tag])
                self._out.clear()
                self._message.clear()
                self._halt_out()
                return bytes([SUCCESS, value & 0xFF])
            case Request.CHECK_ABORT_BULK_OUT_STATUS:
                return bytes([SUCCESS, 0, 0, 0, 0, 0, 0, 0])
            case Request.INITIATE_ABORT_BULK_IN:
                return self._abort_in(value)
            case _:
                # Bit 0 of the second byte: read on until a short packet (USBTMC table 29).
                head = bytes([PENDING, 1]) if self._aborting else bytes([SUCCESS, 0])
                return head + bytes(2) + self._sent.to_bytes(4, "little")

    def _abort_in(self, tag: int) -> bytes:
        current = self._request.tag if self._request is not None else self._sending_tag
        if current is None and not self._dead:
            return bytes([FAILED, 0])
        if current is not None and tag != current:
            return bytes([TRANSFER_NOT_IN_PROGRESS, current])
        if self._begun:
            self._answers.popleft()  # the answer that was cut off
            self._begun = False
        self._request = None
        self._packets.clear()
        self._packets.append(b"")  # the short packet that ends the aborted transfer
        self._sending_tag = None
        self._aborting = True
        return bytes([SUCCESS, tag & 0xFF])

    def _clear(self) -> bytes:
        self._dead = False
        self._out.clear()
        self._message.clear()
        self._answers.clear()
        self._begun = False
        self._request = None
        self._whole = b""
        self._sending_tag = None
        self._clearing = bool(self._packets)
        self._packets.clear()
        if self._clearing:
            self._packets.append(b"")
        self._aborting = False
        self._out_halt_due = True
        if isinstance(self.instrument, MessageBased):
            self.instrument.clear_bus()
        return bytes([SUCCESS])

    def clear_halt(self, *, bulk_out: bool) -> None:
        """Do CLEAR_FEATURE(ENDPOINT_HALT) on a bulk endpoint."""
        due = bulk_out and (self._out_halted or self._out_halt_due)
        if bulk_out:
            self._out_halted = self._out_halt_due = False
            self._out.clear()
        if not due:
            self._complain("CLEAR_FEATURE(HALT) on an endpoint that is not halted")
            if self.departures.halt_upsets:
                self._dead = True

    def reset(self) -> None:
        """Come up again after a reset of the port."""
        self._clear()
        self._packets.clear()
        self._clearing = False
        self._out_halted = self._out_halt_due = False
        self._interrupts.clear()
        self._remote = False

    # Interrupt-IN ------------------------------------------------------------------------------

    def interrupt_in(self) -> bytes | None:
        """Return the next packet of the interrupt endpoint, or None."""
        return self._interrupts.popleft() if self._interrupts else None

    def _status(self) -> int:
        if not isinstance(self.instrument, MessageBased):
            return 0
        return self.instrument.status_byte(
            message_available=bool(self._answers) or any(self._packets)
        )

    def _watch_service(self) -> None:
        """Queue a service request when bit 6 of the status byte rises (USB488 §3.4.1)."""
        wanted = bool(self._status() & _SERVICE_REQUEST)
        if wanted and not self._serviced and self.interrupt:
            self._interrupts.append(bytes([0x81, self._status()]))
        self._serviced = wanted

    def _drop_packets(self) -> None:
        """Drop what the host did not read, but the end of an aborted transfer must be read."""
        if self._aborting or self._clearing:
            self._complain("the host goes on before it has drained an aborted transfer")
        else:
            self._packets.clear()

    def _halt_out(self) -> None:
        self._out.clear()
        self._out_halted = True

    def _complain(self, text: str) -> None:
        self.complaints.append(text)
