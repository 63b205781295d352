"""What a link is: an open byte path to one instrument."""

from typing import Protocol, runtime_checkable


class Link(Protocol):
    """A byte path. One thread owns it: that thread alone opens, reads, writes and closes it."""

    @property
    def description(self) -> str:
        """Name of the path, for people and for provenance."""
        ...

    @property
    def message_based(self) -> bool:
        """Whether the path marks the end of a message; such links are read only for a due reply."""
        ...

    def open(self) -> None:
        """Open the path.

        Raises:
            LinkOpenError: absent, busy, forbidden or refused; says which and what to do.
        """
        ...

    def read(self, limit: int, timeout: float) -> tuple[bytes, bool]:
        """Give up to ``limit`` bytes that are there, or that come within ``timeout`` seconds.

        No bytes means "nothing yet". The flag tells that the bytes end a message.

        Raises:
            LinkLost: the device or the peer is gone.
        """
        ...

    def write(self, data: bytes) -> None:
        """Write all of ``data``.

        Raises:
            LinkLost: the device or the peer is gone.
            LinkTimeout: the device does not take it.
        """
        ...

    def resync(self) -> None:
        """Come back to a known state: nothing that was asked before is answered after this.

        Raises:
            LinkError: the path had to be opened anew, and that failed.
        """
        ...

    def close(self) -> None:
        """Close the path; closing twice, or a path that was never opened, does nothing."""
        ...


@runtime_checkable
class Interruptible(Protocol):
    """A link whose reads can be ended by another thread, so that they may wait for long."""

    def interrupt(self) -> None:
        """End the read that waits, or the next one that would: it gives "nothing yet".

        Returns at once. May be called from any thread at any time, open or not.
        """
        ...
