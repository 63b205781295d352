"""Telling many waiting streams that there is news in the journal."""

import asyncio
import threading


class Changes:
    """Wakes everybody who waits, from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: set[tuple[asyncio.AbstractEventLoop, asyncio.Event]] = set()
        self._closed = False

    @property
    def closed(self) -> bool:
        """Whether the streams are to end."""
        return self._closed

    def tell(self) -> None:
        """Say that there is news. Never blocks."""
        with self._lock:
            for loop, event in self._waiting:
                if not loop.is_closed():
                    loop.call_soon_threadsafe(event.set)

    def close(self) -> None:
        """End all streams."""
        self._closed = True
        self.tell()

    def count(self) -> int:
        """Tell how many wait."""
        with self._lock:
            return len(self._waiting)

    def join(self) -> asyncio.Event:
        """Begin to wait, in the loop of the caller; give the event that is set by news."""
        event = asyncio.Event()
        with self._lock:
            self._waiting.add((asyncio.get_running_loop(), event))
        return event

    def leave(self, event: asyncio.Event) -> None:
        """Wait no longer."""
        with self._lock:
            self._waiting = {each for each in self._waiting if each[1] is not event}
