"""Bytes that came damaged: kept apart from those that came well.

A port whose line has a parity bit knows which bytes came damaged, but pyserial has it hand these
over like any other: parity that nobody looks at protects no digit. Here the port marks them. What
an earlier program left set can be worse: bytes left out (IGNPAR) make 842.1 into 42.1.

Source, from memory: POSIX.1-2017, 11.2.2 (Input Modes): with INPCK and PARMRK set and IGNPAR clear,
a byte X that came damaged is read as FF 00 X, and a sound FF as FF FF.
"""

try:
    import termios

    CAN_MARK = True
except ImportError:  # Windows has other ways; there nothing is marked
    CAN_MARK = False

#: Stands for a damaged byte: no character of ASCII, and none that UTF-8 has.
DAMAGED = b"\xff"

_MARK = 0xFF
_INPUT = 0  # place of the input modes in what tcgetattr gives


def mark_damage(descriptor: int, parity: str) -> bool:
    """Have a port leave nothing out, and mark what came damaged where there is a parity bit.

    Gives whether it marks: then every byte has to pass `Marks`. A byte without parity is not
    marked: what a stop bit alone shows is too often a cable that works all the same.

    Raises:
        termios.error: the port went away, or does not take it.
    """
    if not CAN_MARK:
        return False
    marks = parity != "none"
    modes = termios.tcgetattr(descriptor)
    # A break must not throw away what came before it, either.
    wanted = modes[_INPUT] & ~(termios.IGNPAR | termios.BRKINT)
    if marks:
        wanted |= termios.INPCK | termios.PARMRK
    if wanted != modes[_INPUT]:
        modes[_INPUT] = wanted
        termios.tcsetattr(descriptor, termios.TCSANOW, modes)
    return marks


class Marks:
    """Takes the marks out of what a port gives: `DAMAGED` stands where a damaged byte was."""

    def __init__(self) -> None:
        self._held = b""  # the beginning of a mark whose end has not come

    def taken_out(self, data: bytes) -> bytes:
        """Give the bytes without marks; the last ones are held back where a mark may go on."""
        data = self._held + data
        self._held = b""
        if _MARK not in data:
            return data
        plain = bytearray()
        at = 0
        while (found := data.find(_MARK, at)) >= 0:
            plain += data[at:found]
            mark = data[found : found + 3]
            if mark[1:2] == b"\xff":
                plain += b"\xff"
                at = found + 2
            elif len(mark) == 3 or mark[1:2] not in (b"", b"\0"):  # noqa: PLR2004 - FF 00 X
                plain += DAMAGED
                at = found + 3 if mark[1:2] == b"\0" else found + 1
            else:
                self._held = mark
                return bytes(plain)
        return bytes(plain + data[at:])
