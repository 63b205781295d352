"""What the service manager hears, on sockets of both kinds (sd_notify(3), sd_watchdog_enabled(3))."""

import os
import socket
import uuid

import pytest

from capture.operation import Notifier


@pytest.fixture(params=["path", "abstract"])
def manager(request, tmp_path):
    """A service manager's socket and its address as NOTIFY_SOCKET names it."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        if request.param == "path":
            address = str(tmp_path / "notify")
            listening.bind(address)
        else:
            address = f"@benchtally-test-{uuid.uuid4().hex}"
            listening.bind("\0" + address[1:])
        listening.settimeout(5)
        yield listening, address


def heard(listening):
    return listening.recv(4096).decode()


def test_what_is_said_arrives_in_order_and_in_the_words_of_the_protocol(manager):
    listening, address = manager
    notifier = Notifier.from_environment({"NOTIFY_SOCKET": address})
    notifier.ready("ok: 1 of 1 instruments running")
    notifier.watchdog()
    notifier.status("degraded:\n two lines")
    notifier.status("degraded:\n two lines")
    notifier.stopping("stopping")
    assert heard(listening) == "READY=1\nSTATUS=ok: 1 of 1 instruments running"
    assert heard(listening) == "WATCHDOG=1"
    assert heard(listening) == "STATUS=degraded: two lines", "a line break would be another word"
    assert heard(listening) == "STOPPING=1\nSTATUS=stopping", "the same status is said once"


def test_the_watchdog_is_meant_for_the_process_that_is_named():
    given = {"NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": "30000000"}
    assert Notifier.from_environment(dict(given)).watchdog_s == 30
    ours = {**given, "WATCHDOG_PID": str(os.getpid())}
    assert Notifier.from_environment(ours).watchdog_s == 30
    other = {**given, "WATCHDOG_PID": str(os.getpid() + 1)}
    assert Notifier.from_environment(other).watchdog_s is None


@pytest.mark.parametrize("usec", ["", "0", "-1", "1e6", "²", "many"])
def test_an_interval_that_is_none_asks_for_no_watchdog(usec):
    environment = {"NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": usec}
    assert Notifier.from_environment(environment).watchdog_s is None


def test_children_do_not_hear_of_the_manager():
    environment = {"NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": "1", "WATCHDOG_PID": "1", "A": "b"}
    Notifier.from_environment(environment)
    assert environment == {"A": "b"}


def test_where_nobody_listens_nothing_is_raised(tmp_path):
    for address in ("", "vsock:2:1234", "relative/path", str(tmp_path / "gone"), "/" + "x" * 300):
        notifier = Notifier.from_environment({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "1000000"})
        notifier.ready("")
        notifier.watchdog()


def test_a_manager_that_does_not_read_holds_nobody_up(manager):
    _, address = manager
    notifier = Notifier(address)
    for _ in range(12):  # more than the queue of a datagram socket holds (net.unix.max_dgram_qlen)
        notifier.watchdog()
