"""What a Telnet peer sends, taken apart: data, negotiations, subnegotiations. Sans-I/O.

Source: RFC 854 (commands, IAC doubled in data) and RFC 855 (IAC SB … IAC SE).
"""

from dataclasses import dataclass

_IAC, _SB, _SE = 255, 250, 240
_NEGOTIATIONS = frozenset({251, 252, 253, 254})  # WILL, WONT, DO, DONT
# The longest of RFC 2217 is a signature, which is one line of text.
_LONGEST = 1024


class TelnetFault(ValueError):
    """No Telnet: a subnegotiation without an end."""


@dataclass(frozen=True, slots=True)
class Negotiation:
    """WILL, WONT, DO or DONT, and of what."""

    command: bytes
    option: bytes


@dataclass(frozen=True, slots=True)
class Subnegotiation:
    """What stands between IAC SB and IAC SE."""

    data: bytes


class TelnetStream:
    """Takes bytes in any pieces. Memory: one subnegotiation of a limited length."""

    def __init__(self) -> None:
        self._escaped = False  # IAC came last
        self._command: bytes | None = None  # a negotiation whose option has not come
        self._inner: bytearray | None = None  # a subnegotiation that goes on

    def feed(self, data: bytes) -> list[bytes | Negotiation | Subnegotiation]:
        """Give what came, in order. Commands that mean nothing here are passed over.

        Raises:
            TelnetFault: a subnegotiation is longer than any.
        """
        found: list[bytes | Negotiation | Subnegotiation] = []
        plain = bytearray()
        for value in data:
            if self._command is not None:
                piece: Negotiation | Subnegotiation | None = Negotiation(
                    self._command, bytes([value])
                )
                self._command = None
            elif self._escaped and value != _IAC:
                self._escaped = False
                piece = self._commanded(value)
            elif not self._escaped and value == _IAC:
                self._escaped = True
                continue
            else:
                self._escaped = False
                self._keep(value, plain)
                continue
            if piece is not None:
                if plain:
                    found.append(bytes(plain))
                    plain.clear()
                found.append(piece)
        if plain:
            found.append(bytes(plain))
        return found

    def _commanded(self, value: int) -> Subnegotiation | None:
        if value == _SB:
            self._inner = bytearray()
        elif value == _SE:
            inner, self._inner = self._inner, None
            return None if inner is None else Subnegotiation(bytes(inner))
        elif value in _NEGOTIATIONS:
            self._command = bytes([value])
        return None

    def _keep(self, value: int, plain: bytearray) -> None:
        if self._inner is None:
            plain.append(value)
            return
        if len(self._inner) >= _LONGEST:
            raise TelnetFault(f"a subnegotiation of more than {_LONGEST} bytes")
        self._inner.append(value)
