"""The class requests of USBTMC and USB488, with every loop bounded.

A device that stalls a request does not support it: that is an answer, never a failure.
Sequences: USBTMC §4.2.1 (abort, clear), USB488 §4.3 (status byte, remote).
"""

import threading

from capture.errors import LinkTimeout
from capture.links.usbtmc.codec import Capabilities, Request, Status, StatusTags
from capture.links.usbtmc.pipes import Overflowed, Pipes, Stalled, TimedOut

_MOST_CHECKS = 50
_MOST_DRAINS = 100  # reads; as many as Linux' own driver allows
_DRAIN_SIZE = 4096
_DRAIN_TIMEOUT = 0.1
_PAUSE = 0.01
_MOST_PACKETS = 16  # of the interrupt pipe: service requests that wait there come first
_STATUS_PACKET = 2
_STATUS_FLAG = 0x80
_PENDING_DATA = 1  # bit 0 of bmAbortBulkIn and bmClear: read on to a short packet


class Control:
    """Class requests to one interface."""

    def __init__(self, name: str, pipes: Pipes) -> None:
        self._name = name
        self._pipes = pipes
        self._tags = StatusTags()
        self._never = threading.Event()  # nothing sets it: it only lets time pass

    def capabilities(self) -> Capabilities:
        """Ask what the device can do; one that does not say can do the least."""
        usb488 = self._pipes.usb488
        try:
            answer = self._pipes.to_interface(Request.GET_CAPABILITIES, 0, 24)
        except Stalled:
            answer = b""
        return Capabilities.parse(answer, usb488=usb488)

    def remote(self, *, on: bool) -> bool:
        """Assert or release remote enable; False where the device has none."""
        try:
            answer = self._pipes.to_interface(Request.REN_CONTROL, int(on), 1)
        except Stalled:
            return False
        return answer[:1] == bytes([Status.SUCCESS])

    def status_byte(self) -> int:
        """Read the IEEE 488.2 status byte.

        Without an interrupt endpoint it is in the answer. With one it comes there, marked with the
        tag of the request; packets of other kinds, such as service requests, are passed over.

        Raises:
            Stalled: the device has none.
            LinkTimeout: it announced one and did not send it.
        """
        for _ in range(2):
            tag = self._tags.next()
            answer = self._pipes.to_interface(Request.READ_STATUS_BYTE, tag, 3).ljust(3, b"\0")
            if answer[0] == Status.SUCCESS:
                return self._from_interrupt(tag) if self._pipes.has_interrupt else answer[2]
            if answer[0] != Status.INTERRUPT_IN_BUSY or not self._pipes.has_interrupt:
                break
            self._from_interrupt(None)  # an older packet is in the way
        raise Stalled

    def _from_interrupt(self, tag: int | None) -> int:
        for _ in range(_MOST_PACKETS):
            try:
                packet = self._pipes.interrupt_in(_DRAIN_TIMEOUT)
            except (TimedOut, Overflowed) as error:
                if tag is None:
                    return 0
                raise LinkTimeout(f"{self._name} does not send its status byte") from error
            if tag is None or len(packet) < _STATUS_PACKET:
                continue
            if packet[0] == _STATUS_FLAG | tag:
                return packet[1]
        raise LinkTimeout(f"{self._name} floods its interrupt pipe")

    def abort_bulk_in(self, tag: int) -> bool:
        """Give up the transfer that was requested with ``tag``, and read what is left of it.

        Without that read many a device stays dead for ever. False where aborting is not supported.
        """
        try:
            answer = self._pipes.to_bulk_in(Request.INITIATE_ABORT_BULK_IN, tag, 2)
            if answer[:1] == bytes([Status.TRANSFER_NOT_IN_PROGRESS]) and len(answer) > 1:
                # The device is at another transfer, and names it.
                answer = self._pipes.to_bulk_in(Request.INITIATE_ABORT_BULK_IN, answer[1], 2)
            if answer[:1] == bytes([Status.FAILED]):
                return True  # nothing was under way
            if answer[:1] != bytes([Status.SUCCESS]):
                return False
            self.drain()
            return self._finished(Request.CHECK_ABORT_BULK_IN_STATUS)
        except Stalled:
            return False

    def abort_bulk_out(self, tag: int) -> bool:
        """Give up a transfer that the device did not take whole."""
        try:
            answer = self._pipes.to_bulk_out(Request.INITIATE_ABORT_BULK_OUT, tag, 2)
            if answer[:1] != bytes([Status.SUCCESS]):
                return answer[:1] == bytes([Status.FAILED])
            done = self._finished(Request.CHECK_ABORT_BULK_OUT_STATUS)
            self._pipes.clear_halt_out()
        except Stalled:
            return False
        return done

    def clear(self) -> bool:
        """Empty the device's buffers; False where it does not support that."""
        try:
            answer = self._pipes.to_interface(Request.INITIATE_CLEAR, 0, 1)
            if answer[:1] != bytes([Status.SUCCESS]):
                return False
            done = self._finished(Request.CHECK_CLEAR_STATUS)
            if done:
                self._pipes.clear_halt_out()
        except Stalled:
            return False
        return done

    def drain(self) -> None:
        """Read and drop until a short packet ends the transfer, or nothing comes."""
        room = self._pipes.room(_DRAIN_SIZE)
        for _ in range(_MOST_DRAINS):
            try:
                if len(self._pipes.bulk_in(room, _DRAIN_TIMEOUT)) < room:
                    return
            except (TimedOut, Overflowed):
                return

    def _finished(self, check: Request) -> bool:
        """Ask until the device is no longer at it."""
        for _ in range(_MOST_CHECKS):
            if check is Request.CHECK_CLEAR_STATUS:
                answer = self._pipes.to_interface(check, 0, 2)
            elif check is Request.CHECK_ABORT_BULK_IN_STATUS:
                answer = self._pipes.to_bulk_in(check, 0, 8)
            else:
                answer = self._pipes.to_bulk_out(check, 0, 8)
            if answer[:1] != bytes([Status.PENDING]):
                return answer[:1] == bytes([Status.SUCCESS])
            readable = check is not Request.CHECK_ABORT_BULK_OUT_STATUS and len(answer) > 1
            if readable and answer[1] & _PENDING_DATA:
                self.drain()
            else:
                self._never.wait(_PAUSE)
        return False
