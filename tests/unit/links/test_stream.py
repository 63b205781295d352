"""TCP and Unix sockets: what they share, and what each says when it cannot be used."""

import contextlib
import os
import socket
import threading

import pytest

from capture.config import TcpSettings, UnixSettings
from capture.errors import LinkError, LinkLost, LinkOpenError, LinkTimeout
from capture.links import make_link


@pytest.fixture(params=["tcp", "unix"])
def end(request, far_ends, tmp_path):
    return far_ends.KINDS[request.param](tmp_path)


def ask(link, query, whole):
    link.write(query + b"\n")
    return whole(link)


def test_questions_and_answers(end, open_link, whole):
    link = open_link(end)
    assert not link.message_based
    assert ask(link, b"*IDN?", whole) == b"SIMULATED,COUNTER,0,0\n"
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"


def test_what_is_said_unasked_is_read_in_pieces_of_the_limit(end, open_link):
    link = open_link(end)
    assert end.accepted.acquire(timeout=5)
    end.say(b"abcdef")
    assert link.read(4, 1.0) == (b"abcd", False)
    assert link.read(4, 1.0) == (b"ef", False)


@pytest.mark.parametrize("timeout", [0.0, 0.05])
def test_nothing_there_is_nothing_yet_and_takes_no_longer_than_allowed(
    end, open_link, quickest, timeout
):
    link = open_link(end)

    def read():
        assert link.read(10, timeout) == (b"", False)

    assert quickest(read) < timeout + 0.2


def test_a_peer_that_hangs_up_is_lost_after_its_last_words(end, open_link):
    link = open_link(end)
    assert end.accepted.acquire(timeout=5)
    end.say(b"+1.0\n")
    end.unplug()
    assert link.read(100, 1.0) == (b"+1.0\n", False)
    with pytest.raises(LinkLost, match="hung up; many take one client only"):
        link.read(100, 1.0)


def test_a_reset_connection_is_lost(far_ends, open_link):
    end = far_ends.TcpEnd()
    link = open_link(end)
    assert end.accepted.acquire(timeout=5)
    end.reset()
    with pytest.raises(LinkLost, match=r"connection lost \(.*[Rr]eset"):
        link.read(100, 1.0)


def test_writing_to_a_peer_that_is_gone_is_lost(end, open_link, repeatedly):
    link = open_link(end)
    assert end.accepted.acquire(timeout=5)
    end.unplug()
    with pytest.raises(LinkLost):
        repeatedly(lambda: (link.write(b"FETC?\n"), link.read(10, 0.01)))


def test_a_peer_that_takes_nothing_is_a_time_out():
    """A full buffer must not hold the worker for ever."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        settings = TcpSettings(
            host="127.0.0.1", port=listener.getsockname()[1], connect_timeout_s=0.2
        )
        link = make_link(settings)
        link.open()
        with pytest.raises(LinkTimeout, match="does not take data"):
            link.write(bytes(50_000_000))
        link.close()


def test_resync_connects_anew_so_that_an_old_answer_never_comes(end, open_link, whole):
    link = open_link(end)
    assert end.accepted.acquire(timeout=5)
    link.write(b"FETC?\n")
    link.resync()
    assert end.accepted.acquire(timeout=5)
    assert ask(link, b"*IDN?", whole) == b"SIMULATED,COUNTER,0,0\n"


def test_a_half_open_connection_is_answered_by_a_fresh_one(far_ends, open_link, whole):
    """The far end forgot the connection without a word, as one that lost its supply does."""
    end = far_ends.TcpEnd()
    link = open_link(end)
    assert end.accepted.acquire(timeout=5)
    forgotten = end._clients.copy()
    end._take = lambda _client: None  # hears nothing any more
    link.write(b"FETC?\n")
    assert link.read(100, 0.05) == (b"", False)
    del end._take
    link.resync()
    assert end.accepted.acquire(timeout=5)
    assert ask(link, b"*IDN?", whole) == b"SIMULATED,COUNTER,0,0\n"
    assert len(forgotten) == 1


def test_keepalive_is_set_as_configured(far_ends, open_link):
    """Read back: probes after 7 s idle, every 3 s, 3 of them; unconfirmed data for 16 s."""
    link = open_link(far_ends.TcpEnd(keepalive_s=7))
    connection = link._socket
    tcp = socket.IPPROTO_TCP
    assert connection.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) == 1
    assert connection.getsockopt(tcp, socket.TCP_KEEPIDLE) == 7
    assert connection.getsockopt(tcp, socket.TCP_KEEPINTVL) == 3
    assert connection.getsockopt(tcp, socket.TCP_KEEPCNT) == 3
    assert connection.getsockopt(tcp, socket.TCP_USER_TIMEOUT) == 16_000
    assert connection.getsockopt(tcp, socket.TCP_NODELAY) == 1


def test_a_peer_given_up_by_the_system_is_lost_and_no_quiet_read(far_ends, open_link):
    """After unanswered probes recv() fails with ETIMEDOUT, which Python also calls TimeoutError."""
    link = open_link(far_ends.TcpEnd())
    real = link._socket

    class GivenUp:
        def fileno(self):
            return ready.fileno()

        def settimeout(self, seconds):
            pass

        def recv(self, _limit):
            raise TimeoutError(110, "Connection timed out")

        def close(self):
            real.close()

    link._socket = GivenUp()
    ready, other = socket.socketpair()
    other.close()  # so that it can be read, as a socket with an error to tell can
    with ready, pytest.raises(LinkLost, match="fell silent"):
        link.read(10, 0.1)


def opening(settings):
    link = make_link(settings)
    with pytest.raises(LinkOpenError) as caught:
        link.open()
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(link.description)
    return str(caught.value)


def test_nobody_listening_is_refused_with_what_to_check(free_port):
    says = opening(TcpSettings(host="127.0.0.1", port=free_port()))
    assert "connection refused; check the port, and that remote control is enabled" in says


def test_a_name_that_is_none_is_said():
    assert "no such host; check the name" in opening(TcpSettings(host="no-such.invalid"))


def test_a_missing_socket_is_said(tmp_path):
    assert "no such socket" in opening(UnixSettings(path=str(tmp_path / "none")))


def test_a_socket_nobody_listens_on_is_said(tmp_path):
    path = str(tmp_path / "left-over")
    with socket.socket(socket.AF_UNIX) as left_over:
        left_over.bind(path)
    assert "nobody listens there" in opening(UnixSettings(path=path))


def test_a_datagram_socket_is_no_stream(tmp_path):
    path = str(tmp_path / "datagram")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as other:
        other.bind(path)
        assert "not a stream socket" in opening(UnixSettings(path=path))


def test_a_unix_server_that_takes_nobody_more_is_said(tmp_path, repeatedly):
    path = str(tmp_path / "full")
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(path)
        listener.listen(0)
        links = [make_link(UnixSettings(path=path, connect_timeout_s=0.1)) for _ in range(5)]
        waiting = iter(links)
        with pytest.raises(LinkOpenError, match="may serve one client only"):
            repeatedly(lambda: next(waiting).open(), len(links))
        for link in links:
            link.close()


def test_a_link_that_is_not_open_says_so(end):
    link = end.make_link()
    end.close()
    for use in (lambda: link.read(1, 0.0), lambda: link.write(b"x")):
        with pytest.raises(LinkError, match="is not open"):
            use()
    link.close()


def test_closing_leaves_no_descriptor_open(end):
    link = end.make_link()
    link.open()
    descriptor = link._socket.fileno()
    was = os.fstat(descriptor).st_ino
    link.close()
    link.close()
    # Closed, or the number was taken by somebody else meanwhile.
    with contextlib.suppress(OSError):
        assert os.fstat(descriptor).st_ino != was
    end.close()
    assert not [t for t in threading.enumerate() if t.name.startswith("far end")]


def test_twenty_times_gone_and_back(end, whole):
    for cycle in range(1, 21):
        link = end.make_link()
        link.open()
        assert ask(link, b"FETC?", whole) == b"%+d.0E+00\n" % cycle
        end.unplug()
        with pytest.raises(LinkLost):
            link.read(100, 1.0)
        link.close()
        with pytest.raises(LinkOpenError):
            end.make_link().open()
        end.plug()
    end.close()
