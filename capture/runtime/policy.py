"""Which messages an instrument may be sent. Enforced by the session for every driver.

Benchtally reads. By default an instrument is sent only queries that hand over what it has and
cannot start, raise or route a test voltage, a pulse or a current. Anything else, ``READ?`` and
``INITiate`` included, needs a line in that instrument's ``allow`` list, written by a person.

Matching follows SCPI-99 volume 1 §6: a header is given by its short form in capitals and its long
form, is compared without regard to case, and may start with a colon. A message is taken apart at
every semicolon and line end outside quotes, and every part must be on the list.
"""

import re
from collections.abc import Iterable, Sequence

from capture.errors import PolicyError

#: Messages that start nothing, in SCPI's notation; ``FETCh`` stands for its whole subtree.
HARMLESS: tuple[str, ...] = (
    "*IDN?",
    "*OPT?",
    "*STB?",
    "*ESR?",
    "*OPC?",
    "*CLS",
    "FETCh?",
    "SYSTem:ERRor?",
    "SYSTem:ERRor:NEXT?",
    "SYSTem:ERRor:COUNt?",
    "SYSTem:VERSion?",
    # How data are sent, which registers are set, what the settings are: the query forms only.
    "FORMat?",
    "FORMat:DATA?",
    "FORMat:BORDer?",
    "STATus:OPERation?",
    "STATus:OPERation:EVENt?",
    "STATus:OPERation:CONDition?",
    "STATus:QUEStionable?",
    "STATus:QUEStionable:EVENt?",
    "STATus:QUEStionable:CONDition?",
    "FUNCtion?",
    "FUNCtion:IMPedance?",
    "FUNCtion:IMPedance:TYPE?",
    "FREQuency?",
    "FREQuency:CW?",
    "VOLTage?",
    "VOLTage:LEVel?",
    "CURRent?",
    "CURRent:LEVel?",
)

_LONGEST = 1024
_SPACES = re.compile(r"[ \t]+")
_HEADER = re.compile(r"[:*]?[A-Za-z][A-Za-z0-9:]*\??\Z")
_FETCH_SUBTREE = re.compile(r":?FETC(?:H)?(?::[A-Z0-9:]+)?\?\Z")
_MNEMONIC = re.compile(r"(?P<short>[A-Z*]+)(?P<rest>[a-z]*)(?P<digits>[0-9]*)")


class MessagePolicy:
    """The list of one instrument."""

    def __init__(self, allow: Iterable[str] = ()) -> None:
        exact = list(allow)
        allowed = [text.strip() for text in exact]
        self._literal = {*exact, *map(_squeeze, allowed)} - {""}
        self._headers = [
            _header_pattern(text) for text in (*HARMLESS, *allowed) if _HEADER.match(text)
        ]

    def check(self, data: bytes) -> None:
        """Let ``data`` pass if it is on the list.

        Raises:
            PolicyError: it is not; says which message, and the line that would allow it.
        """
        refused = self.refused(data)
        if refused is not None:
            raise PolicyError(
                f"message {refused!r} is not on this instrument's list and was not sent; if it "
                f"starts no test, voltage or current, a person may add "
                f"allow = [{toml_string(refused)}]"
            )

    def refused(self, data: bytes) -> str | None:
        """Give the first part of ``data`` that is not on the list; None when all of it is."""
        try:
            text = data.decode("ascii")
        except UnicodeDecodeError:
            text = data.decode("latin-1")
            return None if self._is_literal(text) else text[:_LONGEST]
        if len(text) > _LONGEST:
            return text[:_LONGEST]
        if self._is_literal(text):
            return None
        parts = _parts(text)
        if not parts:
            return text  # even a lone line end means something to some instruments
        for part in parts:
            if not self._allows(part):
                return part
        return None

    def _is_literal(self, text: str) -> bool:
        return text in self._literal or _squeeze(text) in self._literal

    def _allows(self, part: str) -> bool:
        if self._is_literal(part):
            return True
        if not _HEADER.match(part):
            return False
        upper = part.upper()
        if _FETCH_SUBTREE.match(upper):
            return True
        return any(pattern.fullmatch(upper) for pattern in self._headers)


def not_allowed(messages: Sequence[bytes], allow: Iterable[str]) -> list[str]:
    """List which of a driver's messages the instrument's list would hold back."""
    policy = MessagePolicy(allow)
    return [part for message in messages if (part := policy.refused(message)) is not None]


def _squeeze(text: str) -> str:
    """Make one space of several. A line end within stays: it makes two messages of one."""
    return _SPACES.sub(" ", text.strip())


def _parts(text: str) -> list[str]:
    """Cut a message at every semicolon and line end that is not inside quotes."""
    parts, current, quote = [], "", ""
    for character in text:
        if quote:
            current += character
            # A line end inside quotes still ends the message for a stream instrument.
            quote = "" if character in (quote, "\n", "\r") else quote
            if character in "\n\r":
                parts.append(current)
                current = ""
        elif character in ";\n\r\0":
            parts.append(current)
            current = ""
        else:
            if character in "\"'":
                quote = character
            current += character
    parts.append(current)
    return [part.strip() for part in parts if part.strip()]


def _header_pattern(header: str) -> re.Pattern[str]:
    """Write SCPI's notation (``SYSTem:ERRor?``) as a pattern over upper-case text."""
    query = header.endswith("?")
    pieces = []
    for mnemonic in header.rstrip("?").lstrip(":").split(":"):
        match = _MNEMONIC.fullmatch(mnemonic)
        if match is None or not match["rest"]:
            pieces.append(re.escape(mnemonic.upper()))
        else:
            short, long = match["short"], match["short"] + match["rest"].upper()
            pieces.append(f"(?:{re.escape(short)}|{re.escape(long)}){match['digits']}")
    return re.compile(":?" + ":".join(pieces) + (r"\?" if query else ""))


def toml_string(text: str) -> str:
    """Write a TOML string on one line, whatever is in it."""
    plain = text.replace("\\", "\\\\").replace('"', '\\"')
    printable = "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in plain)
    return f'"{printable}"'
