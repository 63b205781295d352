"""Mutations by seed: the same bytes every time, on any machine, without anything installed."""

import random

TOKENS = (
    b"\0", b"\xff" * 4, b"\r\n", b"-", b"9.9E37", b"1e400", b"9" * 40, b"NaN", b"null", b"true",
    b"[", b"{", b"]" * 8, b'"', b"'", b"\\u0000", b"\\ud800", b"\xed\xa0\x80", b"\xc3\x28", b"<",
    b"%00", b"../", b"\x1b[31m", b"0001-01-01T00:00:00+23:00", b"-0", b"#9", b"\xe2\x88\x92",
)  # fmt: skip
_LONGEST = 6000


def mutations(corpus, seed, count):
    """Give so many changed inputs, each of one to four changes of one of the corpus."""
    dice = random.Random(seed)
    for _ in range(count):
        data = bytearray(dice.choice(corpus))
        for _ in range(dice.randint(1, 4)):
            dice.choice(_CHANGES)(data, dice, corpus)
        yield bytes(data[:_LONGEST])


def _flip(data, dice, _corpus):
    if data:
        data[dice.randrange(len(data))] ^= 1 << dice.randrange(8)


def _replace(data, dice, _corpus):
    if data:
        data[dice.randrange(len(data))] = dice.randrange(256)


def _insert(data, dice, _corpus):
    at = dice.randint(0, len(data))
    data[at:at] = dice.choice(TOKENS)


def _overwrite(data, dice, _corpus):
    at, token = dice.randint(0, len(data)), dice.choice(TOKENS)
    data[at : at + len(token)] = token


def _remove(data, dice, _corpus):
    at = dice.randint(0, len(data))
    del data[at : at + dice.choice((1, 2, 4, 16, 64))]


def _repeat(data, dice, _corpus):
    at = dice.randint(0, len(data))
    data[at:at] = data[at : at + dice.choice((1, 3, 9, 30))] * dice.choice((1, 2, 20))


def _splice(data, dice, corpus):
    other = dice.choice(corpus)
    data[dice.randint(0, len(data)) :] = other[dice.randint(0, len(other)) :]


_CHANGES = (_flip, _replace, _insert, _overwrite, _remove, _repeat, _splice)
