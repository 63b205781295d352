"""What benches said and nobody could write down yet: a bounded number of words, in memory.

Another worker may hold the place for as long as it likes, and benches go on talking. Nothing that
was captured is in these words, and what finds no room is not lost with them: a list that was asked
for is asked for again, what a bench was to send is looked for, and the broker keeps each bench's
newest state for the next connection.
"""

from collections.abc import Iterable

from capture.historian.words import Heard, ListWord, StateWord

_MOST_WORDS = 1000
_MOST_LISTS = 50  # each up to the largest packet that the broker may send


class Waiting:
    """Words in the order in which they are to be written down."""

    def __init__(self) -> None:
        self._words: list[Heard] = []

    def __len__(self) -> int:
        return len(self._words)

    def take(self) -> list[Heard]:
        """Give all of them, and be empty."""
        words, self._words = self._words, []
        return words

    def add(self, words: Iterable[Heard]) -> list[Heard]:
        """Take some more; give those that found no room.

        Of a bench's states the last one holds, of its lists as well: nobody waits for an earlier.
        """
        self._words += words
        seen: set[tuple[str, str, type]] = set()
        kept: list[Heard] = []
        dropped: list[Heard] = []
        lists = 0
        for site, bench, word in reversed(self._words):
            key = (site, bench, type(word))
            if isinstance(word, StateWord | ListWord):
                if key in seen:
                    continue
                seen.add(key)
            is_list = isinstance(word, ListWord)
            # The newest have room: what was said first is what most likely holds no more.
            if len(kept) >= _MOST_WORDS or (is_list and lists >= _MOST_LISTS):
                dropped.append((site, bench, word))
                continue
            lists += is_list
            kept.append((site, bench, word))
        self._words = kept[::-1]
        return dropped[::-1]
