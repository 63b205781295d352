"""Where a simulated instrument is plugged in: a pseudo-terminal, or TCP on this machine.

A port never blocks. What cannot be written at once is kept up to a limit; beyond it, bytes are
lost like on a serial line that nobody reads. A server that must lose nothing asks `pending` first.
"""

import contextlib
import os
import select
import socket
import termios
import tty
from pathlib import Path
from typing import Protocol

_READ = 1 << 16
_SPEEDS: dict[int, int] = {
    getattr(termios, name): int(name[1:])
    for name in dir(termios)
    if name.startswith("B") and name[1:].isdigit()
}


class Port(Protocol):
    """A place where a host can reach the instrument."""

    @property
    def plugged(self) -> bool:
        """Whether it is there at all."""
        ...

    @property
    def pending(self) -> int:
        """Bytes that wait to be written."""
        ...

    @property
    def dropped(self) -> int:
        """Bytes lost so far because nobody took them."""
        ...

    def readers(self) -> list[int]:
        """Return the descriptors to wait on for reading."""
        ...

    def writers(self) -> list[int]:
        """Return the descriptors to wait on for writing."""
        ...

    def host_is_there(self) -> bool:
        """Tell whether bytes sent now have somewhere to go."""
        ...

    def read(self) -> tuple[bytes, bool]:
        """Return what the host sent, and whether its connection ended after that."""
        ...

    def admit(self) -> bool:
        """Take the next host in; return whether the one before was found gone."""
        ...

    def send(self, data: bytes) -> None:
        """Write data, or keep it, or lose it."""
        ...

    def speed(self) -> int | None:
        """Return the bits a second that the host has set; None where there is no such thing."""
        ...

    def unplug(self) -> None:
        """Take the port away as if the plug was pulled."""
        ...

    def plug(self) -> None:
        """Put the port back under the same name."""
        ...

    def place(self) -> dict[str, str | None]:
        """Return where the host finds it: `port`, `link`, `tcp`."""
        ...

    def close(self) -> None:
        """Take the port away for good."""
        ...


class _Outgoing:
    """Bytes that wait to be written, up to a limit."""

    def __init__(self, limit: int) -> None:
        self.waiting = bytearray()
        self.dropped = 0
        self._limit = limit

    def add(self, data: bytes) -> None:
        room = max(0, self._limit - len(self.waiting))
        self.waiting += data[:room]
        self.dropped += max(0, len(data) - room)

    def forget(self) -> None:
        self.dropped += len(self.waiting)
        self.waiting.clear()


class _Sends:
    """What ports have in common: bytes on their way out, counted."""

    def __init__(self, limit: int) -> None:
        self._out = _Outgoing(limit)

    @property
    def pending(self) -> int:
        """Bytes that wait to be written."""
        return len(self._out.waiting)

    @property
    def dropped(self) -> int:
        """Bytes lost so far."""
        return self._out.dropped


class PseudoTerminal(_Sends):
    """A pseudo-terminal in raw mode, with a symbolic link of a lasting name if wanted.

    The slave stays open here, so that hosts may come and go. `limit` bounds the bytes kept beside
    what the kernel keeps. `speed` is what the slave is set to at first.
    Raises FileExistsError when the link's name is taken by something that is no link.
    """

    def __init__(self, link: Path | None = None, limit: int = 4096, speed: int = 9600) -> None:
        self._link = link
        self._speed = speed
        super().__init__(limit)
        self._master = self._slave = -1
        self._name: str | None = None
        self.plugged = False
        self.plug()

    def readers(self) -> list[int]:
        """Return the master, while plugged."""
        return [self._master] if self.plugged else []

    def writers(self) -> list[int]:
        """Return the master while bytes wait."""
        return [self._master] if self.plugged and self._out.waiting else []

    def host_is_there(self) -> bool:
        """Tell whether it is plugged in: a line has no notion of a listener."""
        return self.plugged

    def read(self) -> tuple[bytes, bool]:
        """Return what the host wrote."""
        if not self.plugged:
            return b"", False
        try:
            return os.read(self._master, _READ), False
        except BlockingIOError:
            return b"", False

    def admit(self) -> bool:
        """Return False: anybody may open the line at any time."""
        return False

    def send(self, data: bytes) -> None:
        """Write what goes, keep the rest up to the limit."""
        if not self.plugged:
            self._out.dropped += len(data)
            return
        self._out.add(data)
        if self._out.waiting:
            with contextlib.suppress(BlockingIOError):
                del self._out.waiting[: os.write(self._master, self._out.waiting)]

    def speed(self) -> int | None:
        """Return the speed that the host has set on the line."""
        return _SPEEDS.get(termios.tcgetattr(self._slave)[5]) if self.plugged else None

    def unplug(self) -> None:
        """Close the pseudo-terminal; an open host sees its device go. The link goes too."""
        if not self.plugged:
            return
        self.plugged = False
        self._unlink()
        os.close(self._slave)
        os.close(self._master)
        self._out.forget()
        self._name = None

    def plug(self) -> None:
        """Open a new pseudo-terminal and point the link at it in one step."""
        if self.plugged:
            return
        self._master, self._slave = os.openpty()
        try:
            tty.setraw(self._slave)
            self._set_speed()
            os.set_blocking(self._master, False)
            self._name = os.ttyname(self._slave)
            self._put_link()
        except BaseException:
            os.close(self._slave)
            os.close(self._master)
            raise
        self.plugged = True

    def place(self) -> dict[str, str | None]:
        """Return the device's name and the link."""
        return {"port": self._name, "link": str(self._link) if self._link else None, "tcp": None}

    def close(self) -> None:
        """Unplug for good."""
        self.unplug()

    def _set_speed(self) -> None:
        code = {speed: code for code, speed in _SPEEDS.items()}.get(self._speed)
        if code is None:
            raise ValueError(f"speed {self._speed}: a terminal cannot be set to it")
        attributes = termios.tcgetattr(self._slave)
        attributes[4] = attributes[5] = code
        termios.tcsetattr(self._slave, termios.TCSANOW, attributes)

    def _put_link(self) -> None:
        if self._link is None or self._name is None:
            return
        if self._link.exists() and not self._link.is_symlink():
            raise FileExistsError(f"{self._link}: something that is no link has this name")
        new = self._link.with_name(f".{self._link.name}.{os.getpid()}")
        new.unlink(missing_ok=True)
        new.symlink_to(self._name)
        new.replace(self._link)

    def _unlink(self) -> None:
        # Only our own link: another process may have taken the name since.
        link = self._link
        if link is not None and link.is_symlink() and str(link.readlink()) == self._name:
            link.unlink(missing_ok=True)


class TcpServer(_Sends):
    """TCP on 127.0.0.1, one client at a time.

    port 0 takes a free one; the same is taken again after `unplug` and `plug`. A second client is
    turned away at once, or waits for its turn with `queue`. Raises OSError when the port is taken.
    """

    def __init__(self, port: int = 0, limit: int = 4096, *, queue: bool = False) -> None:
        self._port = port
        super().__init__(limit)
        self._queue = queue
        self._listener: socket.socket | None = None
        self._client: socket.socket | None = None
        self._ended = False
        self.plugged = False
        self.plug()

    def readers(self) -> list[int]:
        """Return the client and, unless clients queue, the listener."""
        found = []
        if self._listener is not None and (self._client is None or not self._queue):
            found.append(self._listener.fileno())
        if self._client is not None:
            found.append(self._client.fileno())
        return found

    def writers(self) -> list[int]:
        """Return the client while bytes wait."""
        return [self._client.fileno()] if self._client is not None and self._out.waiting else []

    def host_is_there(self) -> bool:
        """Tell whether a client is connected."""
        return self._client is not None

    def read(self) -> tuple[bytes, bool]:
        """Return what the client sent; True when it has gone."""
        data = b""
        if self._client is not None:
            try:
                data = self._client.recv(_READ)
                if not data:
                    self._drop_client()
            except BlockingIOError:
                pass
            except OSError:
                self._drop_client()
        return data, self._take_ended()

    def admit(self) -> bool:
        """Take a waiting client in, or turn it away while another is served."""
        while self._listener is not None and (self._client is None or not self._queue):
            if self._client is not None and not select.select([self._listener], [], [], 0)[0]:
                break
            # The old client may have gone since `read`: a new one must not suffer for that.
            left = self._left_by_client()
            if left == b"":
                self._drop_client()
            elif left is not None:
                break  # read it first; the new client waits until the next turn
            try:
                client, _address = self._listener.accept()
            except OSError:  # nobody there, or gone again
                break
            if self._client is not None:
                client.close()
                continue
            client.setblocking(False)  # noqa: FBT003 - the library's own signature
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._client = client
        return self._take_ended()

    def send(self, data: bytes) -> None:
        """Write what goes, keep the rest up to the limit; without a client all is lost."""
        if self._client is None:
            self._out.dropped += len(data)
            return
        self._out.add(data)
        if self._out.waiting:
            try:
                del self._out.waiting[: self._client.send(self._out.waiting)]
            except BlockingIOError:
                pass
            except OSError:
                self._drop_client()

    def speed(self) -> int | None:
        """Return None: TCP has no line speed."""
        return None

    def unplug(self) -> None:
        """Close listener and client."""
        self.plugged = False
        self._drop_client()
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def plug(self) -> None:
        """Listen, on the same port as before."""
        if self.plugged:
            return
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind(("127.0.0.1", self._port))
            listener.listen(8)
        except OSError:
            listener.close()
            raise
        listener.setblocking(False)  # noqa: FBT003 - the library's own signature
        self._port = listener.getsockname()[1]
        self._listener = listener
        self.plugged = True

    def place(self) -> dict[str, str | None]:
        """Return host and port."""
        return {"port": None, "link": None, "tcp": f"127.0.0.1:{self._port}"}

    def close(self) -> None:
        """Close for good."""
        self.unplug()

    def _left_by_client(self) -> bytes | None:
        """Return a byte not yet read; empty when the client has gone, None when there is none."""
        if self._client is None:
            return None
        try:
            return self._client.recv(1, socket.MSG_PEEK)
        except BlockingIOError:
            return None
        except OSError:
            return b""

    def _drop_client(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None
            self._ended = True
        self._out.forget()

    def _take_ended(self) -> bool:
        ended, self._ended = self._ended, False
        return ended
