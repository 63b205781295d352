"""Serial ports of this host: what there is, under which stable name, and why one will not open."""

import errno
import os
import sys
from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports

from capture.errors import LinkOpenError
from capture.links.holder import holder_of, who_works_at
from capture.links.permission import permission_hint

_USB = "usb:"


@dataclass(frozen=True, slots=True)
class PortInfo:
    """One serial port.

    Attributes:
        path: where it is now; may change when the adapter is plugged in again.
        identity: what to write in a configuration: stays the same in any USB socket where the
            adapter has a serial number; the path otherwise.
        description: what the adapter says of itself.
        usable: whether this process may open it for reading and writing.
        holder: program that has it open, where that can be seen.
    """

    path: str
    identity: str
    description: str
    usable: bool
    holder: str | None


def serial_ports() -> list[PortInfo]:
    """List the serial ports of this host, sorted by path."""
    return [
        PortInfo(
            path=port.device,
            identity=_identity(port.vid, port.pid, port.serial_number) or port.device,
            description=port.description or "",
            usable=os.access(port.device, os.R_OK | os.W_OK),
            holder=holder_of(port.device),
        )
        for port in sorted(list_ports.comports(), key=lambda each: each.device)
    ]


def resolve(port: str) -> str:
    """Find the path of a port that is given by path or by USB identity.

    A path is kept as written, link or not, so that it is looked up anew each time it is opened.

    Raises:
        LinkOpenError: no such adapter is plugged in, or several answer to the identity.
    """
    if not port.startswith(_USB):
        return port
    wanted = port.lower()
    found = [
        each.device
        for each in list_ports.comports()
        if wanted
        in {
            (_identity(each.vid, each.pid, each.serial_number) or "").lower(),
            (_identity(each.vid, each.pid, None) or "").lower(),
        }
    ]
    if len(found) == 1:
        return found[0]
    if found:
        raise LinkOpenError(
            f"{port}: {len(found)} adapters answer to this identity ({', '.join(found)}); "
            "add the serial number, or use a path below /dev/serial/by-path"
        )
    raise LinkOpenError(f"{port}: no such adapter is plugged in; `benchtally ports` lists what is")


def port_fault(port: str) -> str | None:
    """Say on one line what would keep ``port`` from being opened, without opening it."""
    path = port
    try:
        path = resolve(port)
        if not sys.platform.startswith("win"):
            Path(path).stat()
            if not os.access(path, os.R_OK | os.W_OK):
                raise PermissionError(errno.EACCES, "no permission")
        refuse_a_terminal(path)
        holder = holder_of(path)
    except LinkOpenError as error:
        return str(error)
    except OSError as error:
        return explain_open_failure(path, error)
    return None if holder is None else f"{path}: in use by {holder}"


def refuse_a_terminal(path: str) -> None:
    """Leave alone what somebody types in.

    Raises:
        LinkOpenError: ``path`` leads to the terminal of a program.
    """
    who = who_works_at(path)
    if who is not None:
        where = os.path.realpath(path)
        said = path if path == where else f"{path} leads to {where}, which"
        raise LinkOpenError(
            f"{said} is the terminal of {who} and no instrument's; name the instrument's port, and "
            "remove a link that is left of one that is gone"
        )


def error_number(error: Exception) -> int | None:
    """Give the system's number of an error; None where it has none."""
    number: int | None = getattr(error, "errno", None)
    if number is None and error.args and isinstance(error.args[0], int):
        number = error.args[0]  # termios has an exception of its own, which is no OSError
    return number


def explain_open_failure(path: str, error: Exception, line: str = "these settings") -> str:
    """Say on one line why a port would not open, and what to do about it.

    line: how its line was to be set, for a port that cannot be set so.
    """
    number = error_number(error)
    if number == errno.EINVAL:
        return (
            f"{path}: does not take {line}; try 8 data bits without parity, which is all that a "
            "pseudo-terminal and some adapters have, or another adapter"
        )
    if number == errno.ENOENT or (number is None and not Path(path).exists()):
        return f"{path}: no such port; plug it in, or see `benchtally ports` for what there is"
    if number in (errno.EACCES, errno.EPERM):
        return f"{path}: no permission; {permission_hint(path)}"
    if number in (errno.EAGAIN, errno.EBUSY, errno.EWOULDBLOCK):
        holder = holder_of(path)
        by = f" by {holder}" if holder else ""
        return f"{path}: in use{by}; end that program, or give it another port"
    return f"{path}: will not open ({error}); check the settings and the cable"


def _identity(vid: int | None, pid: int | None, serial_number: str | None) -> str | None:
    if vid is None or pid is None:
        return None
    text = f"{_USB}{vid:04x}:{pid:04x}"
    return f"{text}:{serial_number}" if serial_number else text
