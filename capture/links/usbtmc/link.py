"""USBTMC and USB488 devices, through pyusb.

Theory of operation. A read sends one REQUEST_DEV_DEP_MSG_IN and waits for its answer in slices.
When a slice passes without an answer the request stays: the device does not see that the host
stopped asking its Bulk-IN endpoint for a moment; it sees requests only, and a second one before the
first is answered is an error to it. Only `resync`, a new message or closing gives a request up, and
then by abort with its drain read, or else many a device stays dead.

One file, since reading, the end of a message and getting back into step share the request that is
under way; headers, pipes and control requests stand beside it.

A message ends with EOM. Where EOM and the line feed at the end disagree, the device may be one that
sets EOM on every transfer or on none, so it is asked: bit 4 (MAV) of its status byte says whether
more is waiting, and where it has no status byte, a line feed followed by silence is an end. What
cannot be told: a device that always sets EOM and cuts a binary block right behind a line feed; the
driver sees a block that is too short.

What else is tolerated, as real devices do it: a header with wrong MsgID or, from a device that
never wrote a right one, wrong bTag; a TransferSize larger than what comes; header and payload in
packets of their own; no empty packet after whole ones; answers that go on without a header; stalled
requests; no answer before remote enable, or to requests for more than 63 bytes.
"""

import contextlib
import threading
import time
from collections.abc import Iterator
from typing import Any

from capture.config import UsbtmcSettings
from capture.errors import LinkError, LinkLost, LinkOpenError, LinkTimeout
from capture.links.usbtmc.codec import Capabilities, Tags, request_in, terminated
from capture.links.usbtmc.concessions import Concessions
from capture.links.usbtmc.control import Control
from capture.links.usbtmc.incoming import LINE_FEED, Incoming, broke_off, without_padding
from capture.links.usbtmc.outgoing import send
from capture.links.usbtmc.pipes import Overflowed, PipeFault, Pipes, Stalled, TimedOut

_SLICE = 0.25
_GRACE = 0.2  # silence that ends a message which did not say that it ends
_RAW_GRACE = 0.05  # how soon a device goes on that goes on without being asked
_POLL = 0.01
_MAV = 0x10  # message available: bit 4 of the status byte (IEEE 488.2 §11.2.1)


class UsbtmcLink:
    """A USB test and measurement device."""

    message_based = True

    def __init__(self, settings: UsbtmcSettings, backend: Any = None) -> None:
        """Describe the link.

        Args:
            settings: with a USB identity as device.
            backend: a pyusb backend in place of libusb; for tests and simulated devices.
        """
        self._settings = settings
        self._backend = backend
        self._pipes: Pipes | None = None
        self._never = threading.Event()  # nothing sets it: it only lets time pass
        self._forget_device()
        self._forget_message()

    def _forget_device(self) -> None:
        self._control: Control | None = None
        self._capabilities = Capabilities()
        self._tags = Tags()
        self._answered = False
        self._tags_fit = False  # the device has written a right bTag before
        self._has_status = False
        self._goes_on_raw: bool | None = None  # None: not known yet
        self._concessions = Concessions(self._settings)

    def _forget_message(self) -> None:
        self._incoming: Incoming | None = None
        self._raw = False  # reading on without a header
        self._may_have_ended = False
        self._silence = 0.0
        self._payload = bytearray()
        self._line_ended = False
        self._ended = False
        self._given = False  # a part of this message has left the link

    @property
    def description(self) -> str:
        """The device as configured."""
        return self._settings.device

    # ── opening and closing ──────────────────────────────────────────────────────────────────

    def open(self) -> None:
        """Find the device in whatever socket it is, claim it, and bring it to a known state.

        Raises:
            LinkOpenError: it is absent, busy or forbidden, or does not answer.
        """
        self._forget_device()
        self._forget_message()
        self._pipes = Pipes(self.description, self._backend, self._settings.io_timeout_s)
        try:
            self._control = control = Control(self.description, self._pipes)
            self._capabilities = control.capabilities()
            self._has_status = self._capabilities.usb488
            if self._settings.ren == "yes":
                self._concessions.remote = control.remote(on=True)
            if self._settings.clear_on_open:
                control.clear()
        except (LinkError, PipeFault) as error:
            self._dispose()
            why = str(error) or "it does not answer; switch it off and on, or unplug it"
            raise LinkOpenError(f"{self.description}: cannot be used: {why}") from error

    def close(self) -> None:
        """Take back what is asked for, give local control back, and release the device."""
        if self._pipes is None:
            return
        with contextlib.suppress(LinkError, PipeFault):
            self._give_up_request()
            if self._concessions.remote and self._control is not None:
                self._control.remote(on=False)
        self._dispose()

    def _dispose(self) -> None:
        pipes, self._pipes, self._control = self._pipes, None, None
        self._forget_message()
        if pipes is not None:
            pipes.close()

    def _opened(self) -> tuple[Pipes, Control]:
        if self._pipes is None or self._control is None:
            raise LinkError(f"{self.description} is not open")
        return self._pipes, self._control

    # ── writing ──────────────────────────────────────────────────────────────────────────────

    def write(self, data: bytes) -> None:
        """Send ``data`` as one message.

        Raises:
            LinkTimeout: the device did not take the message in time; it was aborted.
            LinkLost: the device is gone. LinkError: the link is not open.
        """
        pipes, control = self._opened()
        data = terminated(data, line_feed=self._settings.trailing_line_feed)
        with self._answering():
            # An answer that nobody waits for must not meet the next question.
            self._give_up_request()
            self._forget_message()
            if not send(pipes, control, self._tags, data):
                raise LinkTimeout(
                    f"{self.description} does not take the message; switch it off and on"
                )

    # ── reading ──────────────────────────────────────────────────────────────────────────────

    def read(self, limit: int, timeout: float) -> tuple[bytes, bool]:
        """Give up to ``limit`` bytes of the answer that comes within ``timeout`` seconds.

        Asks the device for an answer unless it has been asked already; so it is read only while
        one is due.
        """
        self._opened()
        end = time.monotonic() + timeout
        with self._answering():
            while not self._deliverable():
                left = max(0.0, end - time.monotonic())
                if not self._receive(min(left, _SLICE)):
                    break
        if not self._deliverable():
            return b"", False
        data = bytes(self._payload[:limit])
        del self._payload[:limit]
        ended = self._ended and not self._payload
        self._given = self._given or bool(data)
        if ended:
            self._forget_message()
        return data, ended

    def _deliverable(self) -> bool:
        """Whether there is something to give; not while it is unclear if more belongs to it."""
        return self._ended or (bool(self._payload) and not self._waits_for_silence())

    def _receive(self, timeout: float) -> bool:
        """Do one read of the Bulk-IN endpoint; False when nothing came."""
        pipes, _ = self._opened()
        if self._incoming is None and not self._raw and not self._ask(timeout):
            return False
        if self._waits_for_silence():
            timeout = min(timeout, max(0.001, _GRACE - self._silence))
        room, began = pipes.room(self._concessions.request_bytes), time.monotonic()
        try:
            data = pipes.bulk_in(room, timeout)
        except TimedOut:
            self._silence += timeout
            return self._after_silence()
        except Stalled:
            pipes.clear_halt_in()
            self._incoming = None
            self._break_off()  # the device refused this request; the next read asks anew
            return False
        except Overflowed:
            self._give_up_request()
            self._break_off()
            return False
        self._silence = 0.0
        # A read that ends before its time with room left ended in a short packet, if an empty one.
        early = time.monotonic() - began < timeout
        self._take(data, short=len(data) < room and (early or pipes.is_short(len(data))))
        return True

    def _break_off(self) -> None:
        """Drop an answer out of which something is missing: its halves would join to a number.

        Raises:
            LinkLost: the first half was given already, and only a new session takes it back.
        """
        given = self._given
        self._forget_message()
        if given:
            raise broke_off(self.description)

    def _ask(self, timeout: float) -> bool:
        """Request an answer; False when the device has none yet and must not be asked."""
        pipes, _ = self._opened()
        if self._settings.wait_for_mav and self._has_status:
            end = time.monotonic() + timeout
            while self._more_waits() is False:
                if time.monotonic() >= end:
                    return False
                self._never.wait(_POLL)
        tag = self._tags.next()
        by_line = self._settings.message_end == "line-feed" and self._capabilities.term_char
        term_char = LINE_FEED[0] if by_line else None
        try:
            pipes.bulk_out(request_in(tag, self._concessions.request_bytes, term_char=term_char))
        except Stalled:
            pipes.clear_halt_out()
            return False
        self._incoming = Incoming(tag)
        return True

    def _take(self, data: bytes, *, short: bool) -> None:
        if self._raw:
            self._keep(data)
            self._settle_end(eom=False)
            return
        incoming = self._incoming
        assert incoming is not None
        try:
            payload = incoming.feed(data, short=short)
        except ValueError:
            self._break_off()
            self._incoming = Incoming(incoming.tag)  # noise; the answer itself may still come
            return
        if incoming.foreign and self._tags_fit:
            # This device knows its tags, so this is an answer to a request that was given up.
            self._incoming = Incoming(incoming.tag)
            return
        if incoming.header is not None:
            self._answered = True
            self._tags_fit = self._tags_fit or incoming.as_specified
        self._keep(payload)
        if incoming.whole:
            self._transfer_done(incoming)

    def _keep(self, payload: bytes) -> None:
        if payload:
            self._may_have_ended = False
            self._payload += payload
            self._line_ended = payload.endswith(LINE_FEED)

    # ── where a message ends ─────────────────────────────────────────────────────────────────

    def _transfer_done(self, incoming: Incoming) -> None:
        header = incoming.header
        assert header is not None
        self._incoming = None
        self._settle_end(eom=header.end_of_message)
        if not self._ended and not self._may_have_ended:
            self._look_for_raw()

    def _settle_end(self, *, eom: bool) -> None:
        """Decide whether the message ends here; leave it open where that cannot be told yet."""
        line = self._line_ended
        if self._settings.message_end == "line-feed":
            self._ended = line
        elif eom == line:
            self._ended = eom
        else:
            more = self._more_waits()
            if more is None and eom:
                more = False  # without a second witness EOM is believed
            self._ended = more is False
            self._may_have_ended = not self._ended

    def _more_waits(self) -> bool | None:
        """Ask the status byte whether more is waiting; None where there is none to ask."""
        if not self._has_status:
            return None
        _, control = self._opened()
        try:
            return bool(control.status_byte() & _MAV)
        except (Stalled, LinkTimeout):
            self._has_status = False
            return None

    def _look_for_raw(self) -> None:
        """Find out, once, whether the device goes on without being asked again.

        Such a device starts the message anew when it is asked.
        """
        pipes, _ = self._opened()
        if self._goes_on_raw is None:
            try:
                data = pipes.bulk_in(pipes.room(self._concessions.request_bytes), _RAW_GRACE)
            except TimedOut:
                self._goes_on_raw = False
                return
            self._goes_on_raw = self._raw = True
            self._take(data, short=False)
        else:
            self._raw = self._goes_on_raw

    def _waits_for_silence(self) -> bool:
        cut_short = self._incoming is not None and self._incoming.cut_short
        return cut_short or self._may_have_ended

    def _after_silence(self) -> bool:
        """Do what silence decides; True when it decided something."""
        if not self._waits_for_silence() or self._silence < _GRACE:
            return False
        incoming = self._incoming
        if incoming is not None and incoming.cut_short:
            # The header promised more than came. EOM is believed only with a line feed before it:
            # half a number is a wrong number.
            header = incoming.header
            assert header is not None
            self._incoming = None
            if (text := without_padding(self._payload)) is not None:
                self._payload, self._line_ended = text, True
            self._ended = header.end_of_message and self._line_ended
            return self._ended
        self._give_up_request()
        self._may_have_ended = False
        self._ended = True
        return True

    # ── getting back into step ───────────────────────────────────────────────────────────────

    def resync(self) -> None:
        """Abort what was asked for and clear the device's buffers."""
        _, control = self._opened()
        with self._answering():
            if not self._answered:
                self._concessions.make_one(control, self._capabilities)
            aborted = self._give_up_request()
            self._forget_message()
            if not control.clear() and not aborted:
                control.drain()  # all that is left to do for a device that supports neither

    def status_byte(self) -> int:
        """Read the IEEE 488.2 status byte, by serial poll.

        Raises:
            LinkTimeout: the device has none, or does not send it.
            LinkLost: the device is gone.
        """
        _, control = self._opened()
        with self._answering():
            try:
                return control.status_byte()
            except Stalled as error:
                raise LinkTimeout(f"{self.description} has no status byte") from error

    def _give_up_request(self) -> bool:
        incoming, self._incoming = self._incoming, None
        if incoming is None:
            return True
        _, control = self._opened()
        return control.abort_bulk_in(incoming.tag)

    @contextlib.contextmanager
    def _answering(self) -> Iterator[None]:
        """Turn a device that no longer answers its control pipe into a lost one."""
        try:
            yield
        except PipeFault as error:
            if self._pipes is not None:
                self._pipes.reset()
            raise LinkLost(
                f"{self.description} does not react to abort or clear; switch it off and on"
            ) from error
