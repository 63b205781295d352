"""Keyed entry: what an instrument shows and does not send becomes a reading like any other.

Pure: text in, drafts out. Nothing is guessed: a value is taken as typed, and a line that could
mean two things is refused with its number.
"""

from capture.keying.block import BLOCK_FORMS, SIX, Line, make_block, parse_block
from capture.keying.reading import FromPhoto, Keying, make_reading, refuse_other_use, with_loss

__all__ = [
    "BLOCK_FORMS",
    "SIX",
    "FromPhoto",
    "Keying",
    "Line",
    "make_block",
    "make_reading",
    "parse_block",
    "refuse_other_use",
    "with_loss",
]
