"""What a serial port did not take of how its line was to be set.

A port that can do some of what is asked and not all of it says that all is well: tcsetattr succeeds
if it was able to do any of it (POSIX.1-2017, from memory). So a port that lacks parity refuses it
the second time only, when there is nothing else left to change. Only what is read back tells; on a
line that is set otherwise than the instrument's, digits come that it never sent, or none.
"""

import struct

from capture.config import SerialSettings

try:
    import fcntl
    import termios

    from serial import serialposix

    CAN_READ_BACK = True
except ImportError:  # Windows says by itself what a port does not take
    CAN_READ_BACK = False

# An edge starts a frame; the middle of its last bit, of eight data bits and a stop bit, comes nine
# and a half bits later. A rate that is further off than half a bit in these reads another bit
# there. Computed.
_MOST_OFF = 0.5 / 9.5
_TERMIOS2 = struct.Struct("=4I20s2I")  # flags, line and characters, input speed, output speed
_CHARACTER = ("data_bits", "parity")


def not_taken(descriptor: int, wanted: SerialSettings) -> list[str]:
    """Read a port's line back and name the settings that it did not take, as in a configuration.

    Fewer stop bits than it was given are no fault of a receiver, and DSR-DTR is no setting of the
    line. Empty where all was taken, and where the system has no way to tell.

    Raises:
        termios.error: the port went away.
    """
    if not CAN_READ_BACK:
        return []
    input_, _, control, *_ = termios.tcgetattr(descriptor)
    bits = {5: termios.CS5, 6: termios.CS6, 7: termios.CS7, 8: termios.CS8}[wanted.data_bits]
    taken = {
        "data_bits": control & termios.CSIZE == bits,
        "parity": _parity(control) == wanted.parity,
        "stop_bits": wanted.stop_bits == 1 or bool(control & termios.CSTOPB),
        "flow": _flow_holds(input_, control, wanted.flow),
        "baud": _speeds_hold(descriptor, wanted.baud),
    }
    return [name for name, holds in taken.items() if not holds]


def is_character(name: str) -> bool:
    """Tell whether a setting is one of how a character is sent, which many ports have one of."""
    return name in _CHARACTER


def _parity(control: int) -> str:
    if not control & termios.PARENB:
        return "none"
    odd = bool(control & termios.PARODD)
    if control & serialposix.CMSPAR:
        return "mark" if odd else "space"
    return "odd" if odd else "even"


def _flow_holds(input_: int, control: int, flow: str) -> bool:
    if flow == "rts-cts":
        # Where the system has no such flag, pyserial sets nothing and says nothing.
        return bool(control & getattr(termios, "CRTSCTS", getattr(termios, "CNEW_RTSCTS", 0)))
    return flow != "xon-xoff" or bool(input_ & termios.IXON)


def _speeds_hold(descriptor: int, baud: int) -> bool:
    """Compare speeds in numbers, where the system tells them so: a port may set one near by."""
    speeds = speeds_of(descriptor)
    return speeds is None or all(abs(speed - baud) <= _MOST_OFF * baud for speed in speeds)


def speeds_of(descriptor: int) -> tuple[int, int] | None:
    """Give the rates that a port receives and sends at, baud; None where that is not told."""
    request = getattr(serialposix, "TCGETS2", None)  # Linux's own
    if request is None:
        return None
    try:
        *_, came, went = _TERMIOS2.unpack(fcntl.ioctl(descriptor, request, bytes(_TERMIOS2.size)))
    except OSError:
        return None
    return came, went
