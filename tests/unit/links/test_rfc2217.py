"""RFC 2217 against pyserial's own server side (serial.rfc2217.PortManager).

Codes: RFC 2217 (October 1997) §3: SET-BAUDRATE 1, SET-CONTROL 5, and 100 more for the answers.
"""

import socket
import threading
from functools import partial

import pytest

from capture.config import Rfc2217Settings
from capture.errors import LinkError, LinkLost, LinkOpenError, LinkTimeout
from capture.links import make_link

pytestmark = pytest.mark.filterwarnings(
    # pyserial 3.5 names its reader thread in a way that Python deprecates.
    "ignore:set(Daemon|Name)\\(\\) is deprecated:DeprecationWarning"
)


@pytest.fixture
def end(far_ends):
    return far_ends.Rfc2217End()


def ask(link, query, whole):
    link.write(query + b"\n")
    return whole(link)


def test_questions_and_answers_with_every_byte_value(end, open_link, whole):
    """0xFF is Telnet's own escape and must come through both ways."""
    every = bytes(byte for byte in range(256) if byte != 0x0A) + b"\n"
    end.instrument.answers[every[:-1]] = every
    link = open_link(end)
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"
    assert ask(link, every[:-1], whole) == every


@pytest.mark.parametrize("dtr", [True, False])
@pytest.mark.parametrize("rts", [True, False])
def test_dtr_and_rts_of_the_settings_arrive(far_ends, open_link, dtr, rts):
    """Opto-isolated cables draw their supply from these lines; a pseudo-terminal has none."""
    end = far_ends.Rfc2217End(dtr=dtr, rts=rts)
    open_link(end)
    assert dict(end.lines) == {"dtr": dtr, "rts": rts}


def test_the_line_is_set_as_configured(far_ends, open_link):
    end = far_ends.Rfc2217End(baud=1200, data_bits=7, parity="even", stop_bits=2, flow="xon-xoff")
    open_link(end)
    port = end.port
    assert (port.baudrate, port.bytesize, port.parity, port.stopbits) == (1200, 7, "E", 2)
    assert port.xonxoff
    assert not port.rtscts


def test_reading_with_changing_time_outs_never_sets_the_port_again(end, open_link, whole):
    """pyserial negotiates the whole port at each change of its time-out."""
    link = open_link(end)
    assert end.baud_settings == 1
    for timeout in (0.0, 0.01, 0.03, 0.05):
        assert link.read(10, timeout) == (b"", False)
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"
    assert end.baud_settings == 1


def test_a_read_gives_what_is_there_up_to_the_limit(end, open_link):
    link = open_link(end)
    end.say(b"abcdef")
    data = b""
    while len(data) < 6:
        part, ended = link.read(4, 1.0)
        assert 1 <= len(part) <= 4
        assert not ended
        data += part
    assert data == b"abcdef"


def test_nothing_there_takes_no_longer_than_allowed(end, open_link, quickest):
    link = open_link(end)

    def read():
        assert link.read(10, 0.1) == (b"", False)

    assert 0.09 < quickest(read, 3) < 0.3


def test_resync_drops_what_was_on_its_way(end, open_link, whole):
    link = open_link(end)
    link.write(b"FETC?\n")
    end.say(b"late\n")
    link.resync()
    assert ask(link, b"*IDN?", whole) == b"SIMULATED,COUNTER,0,0\n"


def test_keepalive_is_set_as_configured(far_ends, open_link):
    link = open_link(far_ends.Rfc2217End(keepalive_s=7))
    connection = link._port._socket
    assert connection.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) == 1
    assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE) == 7


@pytest.mark.parametrize("use", [lambda link: link.read(10, 0.5), lambda link: link.resync()])
def test_a_converter_that_is_gone_is_lost(end, open_link, repeatedly, use):
    link = open_link(end)
    connection = link._port._socket
    end.unplug()
    with pytest.raises(LinkLost, match="went away"):
        repeatedly(lambda: use(link), 20)
    link.close()
    assert connection.fileno() == -1
    assert not [t for t in threading.enumerate() if "RFC 2217" in t.name]


def test_writing_to_a_converter_that_is_gone_is_lost(end, open_link, repeatedly):
    link = open_link(end)
    end.unplug()
    with pytest.raises(LinkLost):
        repeatedly(lambda: (link.write(b"FETC?\n"), link.read(10, 0.01)))


def test_a_converter_that_takes_nothing_is_a_time_out(end, open_link):
    link = open_link(end)
    link._port._socket.settimeout(0.2)
    end._take = lambda _client: None
    with pytest.raises(LinkTimeout, match="does not take data"):
        link.write(bytes(50_000_000))
    del end._take


def opening(settings):
    link = make_link(settings)
    with pytest.raises(LinkOpenError) as caught:
        link.open()
    assert "\n" not in str(caught.value)
    link.close()
    return str(caught.value)


def test_nobody_listening_is_refused(far_ends):
    end = far_ends.Rfc2217End()
    end.close()
    assert "connection refused" in opening(end.settings)


def test_a_plain_socket_is_told_from_a_converter(far_ends):
    end = far_ends.TcpEnd()
    says = opening(Rfc2217Settings(host="127.0.0.1", port=end.settings.port, negotiation_s=0.2))
    end.close()
    assert 'does not speak RFC 2217; use kind = "tcp"' in says


def without_line_answers(end):
    """Make a converter that sets its lines and does not confirm it."""
    greet = end._greet

    def greet_silently(client):
        greet(client)
        send = end.manager.rfc2217_send_subnegotiation

        def most(option, value=b""):
            if option != b"\x69":  # SERVER-SET-CONTROL is 105
                send(option, value)

        end.manager.rfc2217_send_subnegotiation = most

    end._greet = greet_silently


def test_a_converter_that_confirms_no_lines_says_which_setting_helps(far_ends):
    end = far_ends.Rfc2217End(negotiation_s=0.2)
    without_line_answers(end)
    assert "set lines_unanswered = true" in opening(end.settings)
    end.close()


def test_lines_unanswered_is_enough_for_such_a_converter(far_ends, open_link, whole):
    end = far_ends.Rfc2217End(negotiation_s=0.2, lines_unanswered=True, dtr=True, rts=False)
    without_line_answers(end)
    link = open_link(end)
    assert dict(end.lines) == {"dtr": True, "rts": False}
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"


def test_an_address_of_ip_version_6_is_put_in_brackets():
    link = make_link(Rfc2217Settings(host="::1", port=2217))
    assert link.description == "rfc2217://[::1]:2217"


def test_a_link_that_is_not_open_says_so(end):
    link = end.make_link()
    end.close()
    with pytest.raises(LinkError, match="is not open"):
        link.read(1, 0.0)


@pytest.mark.takes(13)
def test_twenty_times_gone_and_back(end, whole, repeatedly):
    """Slow by itself: pyserial waits 0.3 s at each closing, and in each step of negotiating."""
    for cycle in range(1, 21):
        link = end.make_link()
        link.open()
        assert ask(link, b"FETC?", whole) == b"%+d.0E+00\n" % cycle
        end.unplug()
        with pytest.raises(LinkLost):
            repeatedly(partial(link.read, 100, 0.25), 20)
        link.close()
        with pytest.raises(LinkOpenError):
            end.make_link().open()
        end.plug()
    end.close()
