"""Bytes over TCP and TLS: nothing lost at the edges of either, and no stranger's certificate taken."""

import socket
import ssl
import threading

import pytest
import trustme

from capture.errors import PublishError
from capture.historian.wire import Wire


@pytest.fixture(scope="module")
def authority():
    return trustme.CA()


@pytest.fixture(scope="module")
def ours(authority):
    """What the client trusts."""
    context = ssl.create_default_context()
    authority.configure_trust(context)
    return context


class Server:
    """Accepts one connection over TLS, in a thread, since the handshake takes both ends."""

    def __init__(self, authority, name):
        self._context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        authority.issue_cert(name).configure_cert(self._context)
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        self.line = None
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self._thread.start()

    def _accept(self):
        line, _ = self._listening.accept()
        line.settimeout(10)
        try:
            self.line = self._context.wrap_socket(line, server_side=True)
        except OSError:
            line.close()

    def accepted(self):
        self._thread.join(10)
        return self.line

    def close(self):
        self._thread.join(10)
        self._listening.close()
        if self.line is not None:
            self.line.close()


@pytest.fixture
def serve(authority):
    made = []

    def begin(name="localhost"):
        made.append(Server(authority, name))
        return made[-1]

    yield begin
    for each in made:
        each.close()


def test_what_tls_has_read_already_is_not_waited_for(serve, ours):
    """Records are up to 16 KiB, and the socket has nothing more to say when they were read."""
    server = serve()
    wire = Wire("localhost", server.port, ours, 5)
    line = server.accepted()
    sent = bytes(range(256)) * 800
    sender = threading.Thread(target=line.sendall, args=(sent,))
    sender.start()
    got = b""
    while len(got) < len(sent):
        assert wire.wait(5)
        got += wire.read()
    sender.join()
    assert got == sent
    assert wire.read() == b""
    wire.close()


def test_what_is_written_while_the_other_end_does_not_read_leaves_later(serve, ours):
    server = serve()
    wire = Wire("localhost", server.port, ours, 5)
    line = server.accepted()
    part = bytes(range(256)) * 4096
    for _ in range(8):
        wire.write(part)
    got = bytearray()

    def read():
        while len(got) < 8 * len(part):
            got.extend(line.recv(65_536))

    reader = threading.Thread(target=read)
    reader.start()
    wire.drain(5)
    reader.join(10)
    assert got == 8 * part
    wire.close()


def test_a_certificate_of_somebody_else_is_refused_by_name(serve, ours):
    server = serve("another.example")
    with pytest.raises(PublishError, match=rf"broker localhost:{server.port}: .*[Hh]ostname"):
        Wire("localhost", server.port, ours, 5)


def test_an_end_that_closes_is_told_once_everything_was_read(serve, ours):
    server = serve()
    wire = Wire("localhost", server.port, ours, 5)
    line = server.accepted()
    line.sendall(b"last")
    line.close()
    assert wire.wait(5)
    assert wire.read() == b"last"
    wire.wait(5)
    with pytest.raises(PublishError, match="broker"):
        wire.read()
    wire.close()
