"""Answers that a person gives to ``benchtally profile new``: asked for until one can be taken."""

import re
import sys
from collections.abc import Callable

from capture.cli.output import say
from capture.driver.profile.propose import unit_fault
from capture.errors import InputError
from capture.model import Status, parse_unit, unit_of

#: Nothing that is to be read.
NOTHING = "-"
#: What a place may be besides a quantity.
OWN = {"elapsed", "record", "time"}
_SLUG = re.compile(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?")


def ask(question: str, default: str | None, check: Callable[[str], str]) -> str:
    """Ask until an answer can be taken; an empty one takes the default.

    Raises:
        InputError: the answers have come to an end.
    """
    while True:
        say(f"{question}{'' if default is None else f' [{default}]'}: ")
        line = sys.stdin.readline()
        if not line:
            raise InputError(f"no answer to {question!r}; nothing was written")
        answer = line.strip() or default or ""
        try:
            return check(answer)
        except InputError as error:
            say(f"  {error}")


def unit_base(text: str) -> str | None:
    """Give the base unit of a unit as shown; None where it is not understood."""
    return None if unit_fault(text) is not None else parse_unit(text).unit


def a_quantity(answer: str) -> str:
    """Take the name of a quantity; InputError where there is none of that name."""
    unit_of(answer)
    return answer


def a_place(answer: str) -> str:
    """Take what a place of a line is: a quantity, a word of OWN, or NOTHING."""
    return answer if answer in (*OWN, NOTHING) else a_quantity(answer)


def a_unit_of(quantity: str, *, or_none: bool = False) -> Callable[[str], str]:
    """Take a unit, spelt out, that goes with ``quantity``; NOTHING too where that may be."""

    def check(answer: str) -> str:
        if or_none and answer == NOTHING:
            return answer
        fault = unit_fault(answer)
        if fault is not None:
            raise InputError(fault)
        wanted = unit_of(quantity)
        if wanted is not None and unit_base(answer) != wanted:
            raise InputError(f"{answer} is no unit of {quantity}, whose base unit is {wanted}")
        return answer

    return check


def a_status(answer: str) -> str:
    """Take a status that a word tells."""
    if answer not in list(Status):
        raise InputError(f"expected one of {', '.join(Status)}")
    return answer


def a_text(answer: str) -> str:
    """Take one line of text that can be shown."""
    if not answer or not answer.isprintable():
        raise InputError("expected a line of text")
    return answer


def a_whole_number(answer: str) -> str:
    """Take a whole number of nine digits at most."""
    if re.fullmatch("[0-9]{1,9}", answer) is None:
        raise InputError("expected a whole number")
    return answer


def a_name(answer: str) -> str:
    """Take the name of a profile."""
    if not is_name(answer):
        raise InputError("expected lower-case letters, digits and dashes, no dash at either end")
    return answer


def is_name(text: str) -> bool:
    """Tell whether a profile may have this name: it is that of its file as well."""
    return _SLUG.fullmatch(text) is not None


def one_of(letters: str) -> Callable[[str], str]:
    """Take one of these letters."""

    def check(answer: str) -> str:
        if len(answer) != 1 or answer not in letters:
            raise InputError(f"expected one of {', '.join(letters)}")
        return answer

    return check
