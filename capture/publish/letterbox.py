"""The list of dead letters as the delivery sees it: cheap to ask, and aware of what people do."""

from capture.clock import Clock
from capture.journal import Row
from capture.publish.letters import Letter, Letters

_LOOK_EVERY = 0.5


class Letterbox:
    """Knows the numbers on the list without asking the file for every message."""

    def __init__(self, letters: Letters, most: int, clock: Clock) -> None:
        self._letters = letters
        self._most = most
        self._clock = clock
        self._version = -1
        self._looked_at = float("-inf")
        self._due_after: int | None = None
        self.numbers: set[int] = set()
        self.look()

    @property
    def full(self) -> bool:
        """Whether so many letters wait that the fault cannot be theirs alone."""
        return len(self.numbers) >= self._most

    @property
    def may_be_due(self) -> bool:
        """Whether `next_due` is worth asking."""
        return self._due_after is not None

    def look(self) -> None:
        """Take note of what people did with the list; seldom enough to be asked for always."""
        now = self._clock.monotonic()
        if now - self._looked_at < _LOOK_EVERY:
            return
        self._looked_at = now
        version = self._letters.data_version()
        if version != self._version:
            self._version = version
            self.numbers = {letter.row.n for letter in self._letters.all()}
            self._due_after = 0

    def next_due(self) -> Letter | None:
        """Give the next letter to be tried again; each once, until somebody asks anew."""
        if self._due_after is None:
            return None
        letter = self._letters.due(self._due_after)
        self._due_after = None if letter is None else letter.row.n
        return letter

    def start_over(self) -> None:
        """Give all that are due again: what was given for another connection may not be sent."""
        self._due_after = 0

    def hold(self, row: Row, code: int, reason: str) -> None:
        """Put an entry on the list; when this returns it is on the disk.

        Raises:
            PublishError: the list cannot be written.
        """
        self._letters.hold(row, code, reason, self._clock.utc())
        self.numbers.add(row.n)

    def delivered(self, n: int) -> None:
        """Take an entry off the list if it stands there."""
        if n in self.numbers:
            self._letters.delivered(n)
            self.numbers.discard(n)

    def close(self) -> None:
        """Close the list's file."""
        self._letters.close()
