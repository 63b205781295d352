"""Choices out of bytes: what a target takes from the front of its input, and what it leaves.

A short input gives zeros, so that every input of any length means something, and a prefix of an
input means nearly the same.
"""

import random


class Choices:
    """Takes small decisions from the front of an input."""

    def __init__(self, data):
        self._data = data
        self._at = 0

    def byte(self):
        """Give the next byte; 0 where there is none."""
        at, self._at = self._at, self._at + 1
        return self._data[at] if at < len(self._data) else 0

    def of(self, options):
        """Give one of some options."""
        return options[self.byte() % len(options)]

    def rest(self):
        """Give all that is left."""
        rest, self._at = self._data[self._at :], len(self._data)
        return rest

    def text(self):
        """Give all that is left as text; bytes that are no UTF-8 become lone surrogates."""
        return self.rest().decode("utf-8", "surrogateescape")


def cut(data, seed):
    """Cut bytes into pieces at places that follow from the seed; joined, they are the same again."""
    dice = random.Random(seed)
    pieces, at = [], 0
    while at < len(data):
        end = at + dice.choice((1, 1, 2, 3, 5, 8, 13, 40, 200))
        pieces.append(data[at:end])
        at = end
    return pieces
