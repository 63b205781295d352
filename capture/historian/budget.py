"""How much a bench is asked at a look: it takes two requests a second, after a few at once."""

from collections import Counter


class Budget:
    """What may still be asked at this look, bench by bench."""

    def __init__(self, requests: int) -> None:
        """Take the most requests that one bench gets to send something again."""
        self._requests = requests
        self._entries: Counter[tuple[str, str]] = Counter()
        self._lists: set[tuple[str, str]] = set()

    def entries_of(self, site: str, bench: str) -> bool:
        """Whether one more request for entries may be put; it counts then."""
        if self._entries[site, bench] >= self._requests:
            return False
        self._entries[site, bench] += 1
        return True

    def list_of(self, site: str, bench: str) -> bool:
        """Whether a list may be asked for; one at a look."""
        if (site, bench) in self._lists:
            return False
        self._lists.add((site, bench))
        return True
