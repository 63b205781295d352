"""What is unacknowledged on one connection, and how far everything before it is acknowledged."""

from collections import deque
from enum import IntEnum
from typing import NamedTuple

from capture.journal import Row


class Kind(IntEnum):
    """What a message is, which decides what its acknowledgement means."""

    ENTRY = 0
    """An entry in its turn: the cursor waits for it."""
    LETTER = 1
    """A dead letter, tried again."""
    AGAIN = 2
    """An entry that a consumer asked for again."""
    STATE = 3
    """A state, or an answer to a request."""


class Sent(NamedTuple):
    """A message in flight."""

    kind: Kind
    row: Row | None
    topic: str


class Flight:
    """Messages in flight. Only entries move the cursor; the others take up room."""

    def __init__(self) -> None:
        self._by_mid: dict[int, Sent] = {}
        self._order: deque[int] = deque()
        self._done: set[int] = set()
        self._counts = [0] * len(Kind)

    def __len__(self) -> int:
        return len(self._by_mid)

    def count(self, kind: Kind) -> int:
        """Count the messages of one kind."""
        return self._counts[kind]

    def expect(self, entry: int) -> None:
        """Take an entry into the order in which the cursor passes them."""
        self._order.append(entry)

    def sent(self, mid: int, message: Sent) -> None:
        """Remember a message."""
        self._by_mid[mid] = message
        self._counts[message.kind] += 1

    def answered(self, mid: int) -> Sent | None:
        """Take an answer, whatever it says; give the message, None where none was in flight."""
        message = self._by_mid.pop(mid, None)
        if message is not None:
            self._counts[message.kind] -= 1
        return message

    def done(self, entry: int) -> int | None:
        """Take an entry for dealt with: delivered, or set aside.

        Gives the newest entry up to which all are dealt with where that moved, else None.
        """
        self._done.add(entry)
        reached = None
        while self._order and self._order[0] in self._done:
            reached = self._order.popleft()
            self._done.discard(reached)
        return reached

    def in_flight(self, kind: Kind) -> list[Sent]:
        """Give the unanswered messages of one kind, in the order they were sent."""
        return [message for message in self._by_mid.values() if message.kind is kind]

    def forget_order(self) -> None:
        """Forget which entries were sent: they will be sent again, from the cursor on."""
        self._order.clear()
        self._done.clear()
