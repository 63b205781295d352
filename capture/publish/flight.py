"""What is unacknowledged on one connection, and how far everything before it is acknowledged."""

from collections import deque


class Flight:
    """Messages in flight. Entries are numbered; other messages (states) only take up room."""

    def __init__(self) -> None:
        self._by_mid: dict[int, int | None] = {}
        self._order: deque[int] = deque()
        self._done: set[int] = set()

    def __len__(self) -> int:
        return len(self._by_mid)

    def sent(self, mid: int, entry: int | None) -> None:
        """Remember a message; ``entry`` is its number in the journal if it has one."""
        self._by_mid[mid] = entry
        if entry is not None:
            self._order.append(entry)

    def passed_over(self, entry: int) -> int | None:
        """Take an entry that is not published for acknowledged, in its place.

        Gives the newest entry up to which all are acknowledged where that moved, else None.
        """
        self._order.append(entry)
        self._done.add(entry)
        return self._reached()

    def acknowledged(self, mid: int) -> int | None:
        """Take an acknowledgement.

        Gives the newest entry up to which all are acknowledged where that moved, else None.
        """
        entry = self._by_mid.pop(mid, None)
        if entry is None:
            return None
        self._done.add(entry)
        return self._reached()

    def _reached(self) -> int | None:
        reached = None
        while self._order and self._order[0] in self._done:
            reached = self._order.popleft()
            self._done.discard(reached)
        return reached
