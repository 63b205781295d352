"""A port that is kept for who is told of it."""

import socket

import pytest

from capture.demo.kept_port import KeptPort


def test_nobody_gets_it_but_who_names_it_and_shares_it_as_servers_do():
    with KeptPort() as kept:
        place = ("127.0.0.1", kept.number)
        with socket.socket() as other, pytest.raises(OSError, match="in use"):
            other.bind(place)
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(place, 5)
        with socket.create_server(place) as server, socket.create_connection(place, 5):
            server.accept()[0].close()
    with socket.socket() as other:
        other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)  # its last connection lingers
        other.bind(place)


def test_where_two_may_not_share_it_it_is_let_go_for_who_is_to_listen_there(monkeypatch):
    """A broker would find it taken by us, and the demonstration would end."""
    monkeypatch.setattr("capture.demo.kept_port.sys.platform", "darwin")
    with KeptPort() as kept, socket.socket() as server:
        server.bind(("127.0.0.1", kept.number))  # without SO_REUSEADDR: shared with nobody
