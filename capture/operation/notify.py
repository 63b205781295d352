"""Telling the service manager how we are, over the datagram socket that it names.

Source: sd_notify(3) for the socket, its two kinds of address and the words; sd_watchdog_enabled(3)
for the watchdog. Without ``NOTIFY_SOCKET`` nothing is sent, and nothing that goes wrong here ever
stops the bench.
"""

import contextlib
import os
import socket
from collections.abc import MutableMapping
from typing import Self

_MICROSECONDS = 1_000_000
_SEND_TIMEOUT = 0.2  # a manager that does not read must not hold us up
_LONGEST_STATUS = 300  # characters


class Notifier:
    """Sends words to the service manager; to nobody where no address is given."""

    def __init__(self, address: str = "", watchdog_s: float | None = None) -> None:
        """Take the socket's address, ``@`` first for an abstract one.

        ``watchdog_s`` is within how many seconds a `watchdog` has to come; None where nobody waits
        for one.
        """
        self._address = address
        self.watchdog_s = watchdog_s if address else None
        self._status = ""

    @classmethod
    def from_environment(cls, environment: MutableMapping[str, str] | None = None) -> Self:
        """Take the address from the environment, and out of it: children have nothing to say."""
        given = os.environ if environment is None else environment
        address = given.pop("NOTIFY_SOCKET", "")
        interval = given.pop("WATCHDOG_USEC", "")
        meant_for = given.pop("WATCHDOG_PID", "")
        if not address.startswith(("/", "@")):
            address = ""  # another kind of socket, which no manager of this host uses
        watchdog = None
        if interval.isdecimal() and int(interval) > 0 and meant_for in ("", str(os.getpid())):
            watchdog = int(interval) / _MICROSECONDS
        return cls(address, watchdog)

    def ready(self, status: str) -> None:
        """Say that everything runs."""
        self._status = status
        self._send(f"READY=1\nSTATUS={_line(status)}")

    def status(self, text: str) -> None:
        """Say how we are, in one line; the same line is said once."""
        if text != self._status:
            self._status = text
            self._send(f"STATUS={_line(text)}")

    def watchdog(self) -> None:
        """Say that we move. To be said only by whoever has made sure of it."""
        self._send("WATCHDOG=1")

    def stopping(self, status: str) -> None:
        """Say that a stop has begun."""
        self._send(f"STOPPING=1\nSTATUS={_line(status)}")

    def _send(self, text: str) -> None:
        if not self._address:
            return
        name = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        # Where nobody is there to be told, the bench goes on all the same.
        with (
            contextlib.suppress(OSError),
            socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sending,
        ):
            sending.settimeout(_SEND_TIMEOUT)
            sending.sendto(text.encode(), name)


def _line(text: str) -> str:
    return " ".join(text.split())[:_LONGEST_STATUS]
