"""/dev/usbtmcN: against a node of our own making, for there is no USB bus where tests run.

Numbers: include/uapi/linux/usb/tmc.h of Linux 6.1. Behaviour of the node:
drivers/usb/class/usbtmc.c.
"""

import errno

import pytest

from capture.config import UsbtmcSettings
from capture.errors import LinkError, LinkLost, LinkOpenError, LinkTimeout
from capture.links import KernelUsbtmcLink, kernel_usbtmc, make_link

LONG = b",".join(b"%+.5E" % (n / 7) for n in range(400)) + b"\n"


@pytest.fixture
def device(far_ends, open_link):
    def make(departures=None, *, delay=0.0, **more):
        counter = far_ends.Counter({b"LONG?": LONG, b"BARE?": b"+1.5"}, delay=delay)
        end = far_ends.KernelEnd(counter, departures, **more)
        return end, open_link(end)

    return make


def ask(link, query, whole):
    link.write(query)
    return whole(link)


def test_ioctl_numbers_are_those_of_the_kernel():
    """As a C compiler gives them for the names in linux/usb/tmc.h on x86-64."""
    assert kernel_usbtmc.CLEAR == 0x5B02
    assert kernel_usbtmc.ABORT_BULK_OUT == 0x5B03
    assert kernel_usbtmc.ABORT_BULK_IN == 0x5B04
    assert kernel_usbtmc.CLEAR_OUT_HALT == 0x5B06
    assert kernel_usbtmc.CLEAR_IN_HALT == 0x5B07
    assert kernel_usbtmc.GET_TIMEOUT == 0x80045B09
    assert kernel_usbtmc.SET_TIMEOUT == 0x40045B0A
    assert kernel_usbtmc.EOM_ENABLE == 0x40015B0B
    assert kernel_usbtmc.GET_CAPS == 0x80015B11
    assert kernel_usbtmc.READ_STB == 0x80015B12
    assert kernel_usbtmc.REN_CONTROL == 0x40015B13
    assert kernel_usbtmc.MSG_IN_ATTR == 0x80015B18
    assert kernel_usbtmc.AUTO_ABORT == 0x40015B19


CASES = {
    "USB488": ({}, {}),
    "USB488 without interrupt endpoint": ({}, {"interrupt": False}),
    "no status byte": ({}, {"usb488": False}),
    "status byte stalls": ({"stalls": "status"}, {}),
    "in parts": ({}, {"settings": {"request_bytes": 100}}),
    "old driver": ({}, {"lacks": [kernel_usbtmc.MSG_IN_ATTR, kernel_usbtmc.AUTO_ABORT]}),
    "EOM always": ({"eom": "always", "cap": 100}, {}),
    "EOM never": ({"eom": "never"}, {}),
    "EOM never, by line": (
        {"eom": "never"},
        {"usb488": False, "settings": {"message_end": "line-feed"}},
    ),
    "clear stalls": ({"stalls": "clear"}, {}),
    "line feed wanted": ({"needs_lf": True}, {}),
    "remote wanted": ({"needs_remote": True}, {"settings": {"ren": "yes"}}),
}


@pytest.mark.parametrize(("departures", "more"), CASES.values(), ids=CASES)
def test_answers_come_whole_and_in_order(device, whole, departures, more):
    _, link = device(departures, **more)
    assert ask(link, b"*IDN?", whole) == b"SIMULATED,COUNTER,0,0\n"
    assert ask(link, b"LONG?", whole) == LONG
    assert [ask(link, b"FETC?", whole) for _ in range(3)] == [
        b"+1.0E+00\n",
        b"+2.0E+00\n",
        b"+3.0E+00\n",
    ]


@pytest.mark.parametrize(("departures", "more"), CASES.values(), ids=CASES)
def test_after_resync_no_old_answer_comes(device, whole, departures, more):
    end, link = device(departures, **more)
    link.write(b"FETC?")
    link.resync()
    assert ask(link, b"*IDN?", whole) == b"SIMULATED,COUNTER,0,0\n"
    end.instrument.delay = 3600
    link.write(b"FETC?")
    assert link.read(100, 0.01) == (b"", False)
    link.resync()
    end.instrument.delay = 0.0
    assert ask(link, b"*IDN?", whole) == b"SIMULATED,COUNTER,0,0\n"


def test_a_slow_answer_is_waited_for_without_asking_too_early(device, whole):
    """A read of the node that timed out would have to be aborted."""
    end, link = device(delay=0.02)
    reads = []
    read = end.node.read
    end.node.read = lambda *count: reads.append(1) or read(*count)
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"
    assert len(reads) == 1
    assert end.device.complaints == []


def test_without_a_status_byte_a_read_that_times_out_is_aborted(device, whole):
    end, link = device(usb488=False, delay=0.35)
    assert end.node.timeout == pytest.approx(0.2)
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"
    assert (kernel_usbtmc.ABORT_BULK_IN, b"") in end.node.calls
    assert not [text for text in end.device.complaints if "before the answer" in text]


def test_opening_sets_the_node_up(device):
    end, _ = device()
    assert [request for request, _ in end.node.calls] == [
        kernel_usbtmc.GET_CAPS,
        kernel_usbtmc.READ_STB,
        kernel_usbtmc.EOM_ENABLE,
        kernel_usbtmc.AUTO_ABORT,
        kernel_usbtmc.SET_TIMEOUT,
        kernel_usbtmc.CLEAR,
    ]
    assert end.node.timeout == pytest.approx(1.0)


def test_status_byte(device):
    _, link = device()
    assert link.status_byte() == 0
    link.write(b"FETC?")
    assert link.status_byte() == 0x10


def test_a_device_without_status_byte_says_so(device):
    _, link = device(usb488=False)
    with pytest.raises(LinkTimeout, match="has no status byte"):
        link.status_byte()


def test_remote_is_enabled_for_a_device_that_answers_nothing_and_given_back(device, whole):
    end, link = device({"needs_remote": True})
    link.write(b"FETC?")
    assert link.read(100, 0.01) == (b"", False)
    link.resync()
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"
    link.close()
    assert end.node.calls[-1] == (kernel_usbtmc.REN_CONTROL, b"\0")
    assert end.node.open_nodes == set()


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (errno.ENOENT, "no such port"),
        (errno.EACCES, "no permission"),
        (errno.EBUSY, "in use"),
    ],
)
def test_a_node_that_will_not_open_says_why(far_ends, number, says):
    end = far_ends.KernelEnd()

    def refuse(_path):
        raise OSError(number, "refused")

    end.node.open = refuse
    with pytest.raises(LinkOpenError, match=rf"^/dev/usbtmc0: {says}"):
        end.make_link().open()


def test_a_device_that_goes_while_it_is_opened_leaves_nothing_open(far_ends, monkeypatch):
    end = far_ends.KernelEnd()
    node = end.node.open

    def open_and_go(path):
        descriptor = node(path)
        end.unplug()
        return descriptor

    monkeypatch.setattr(end.node, "open", open_and_go)
    with pytest.raises(LinkOpenError, match="went away"):
        end.make_link().open()
    assert end.node.open_nodes == set()


@pytest.mark.parametrize(
    "use",
    [
        lambda link: link.read(10, 0.1),
        lambda link: link.write(b"FETC?"),
        lambda link: link.resync(),
        lambda link: link.status_byte(),
    ],
    ids=["read", "write", "resync", "status_byte"],
)
def test_an_unplugged_device_is_a_lost_link_whatever_is_done(device, use):
    end, link = device()
    end.unplug()
    with pytest.raises(LinkLost, match="went away"):
        use(link)
    link.close()
    with pytest.raises(LinkError, match="is not open"):
        use(link)


def test_a_message_that_is_not_taken_is_aborted_and_said(device, monkeypatch):
    end, link = device()

    def stuck(_descriptor, _data):
        raise TimeoutError(errno.ETIMEDOUT, "Connection timed out")

    monkeypatch.setattr(end.node, "write", stuck)
    with pytest.raises(LinkTimeout, match="does not take the message"):
        link.write(b"FETC?")
    assert end.node.calls[-1] == (kernel_usbtmc.ABORT_BULK_OUT, b"")


def test_real_system_calls_on_what_is_no_node(tmp_path):
    """The system's own calls: an absent file, and a file that answers no ioctl."""
    link = make_link(UsbtmcSettings(device=str(tmp_path / "usbtmc0")))
    assert isinstance(link, KernelUsbtmcLink)
    with pytest.raises(LinkOpenError, match="no such port"):
        link.open()
    (tmp_path / "usbtmc0").write_bytes(b"")
    with pytest.raises(LinkOpenError, match="no usbtmc node"):
        link.open()
    with pytest.raises(LinkError, match="is not open"):
        link.read(10, 0.01)


def test_an_empty_answer_is_none(device, whole, monkeypatch):
    end, link = device(usb488=False)
    with monkeypatch.context() as patch:
        patch.setattr(end.node, "read", lambda _descriptor, _count: b"")
        link.write(b"FETC?")
        assert link.read(10, 0.01) == (b"", False)
    assert whole(link) == b"+1.0E+00\n"


def test_twenty_times_unplugged_and_plugged(far_ends, whole):
    end = far_ends.KernelEnd()
    for cycle in range(1, 21):
        link = end.make_link()
        link.open()
        assert ask(link, b"FETC?", whole) == b"%+d.0E+00\n" % cycle
        end.unplug()
        with pytest.raises(LinkLost):
            link.read(100, 0.1)
        link.close()
        with pytest.raises(LinkOpenError, match="no such port"):
            end.make_link().open()
        end.plug()


@pytest.mark.parametrize("number", [errno.EPIPE, errno.EOVERFLOW])
def test_an_answer_that_breaks_off_after_its_first_half_was_given_ends_the_session(
    device, monkeypatch, number
):
    """Its driver has the first half, and would join it with whatever comes next."""
    end, link = device(settings={"request_bytes": 10})
    link.write(b"LONG?")
    assert link.read(100, 1.0) == (LONG[:10], False)

    def refuse(*_arguments):
        raise OSError(number, "refused")

    monkeypatch.setattr(end.node, "read", refuse)
    with pytest.raises(LinkLost, match="broke off in the middle of an answer"):
        link.read(100, 1.0)


def test_a_refusal_before_an_answer_began_costs_nothing(device, monkeypatch, whole):
    end, link = device()
    read = end.node.read
    link.write(b"FETC?")

    def refuse(*_arguments):
        monkeypatch.setattr(end.node, "read", read)
        raise OSError(errno.EPIPE, "refused")

    monkeypatch.setattr(end.node, "read", refuse)
    assert link.read(100, 0.1) == (b"", False)
    assert ask(link, b"FETC?", whole) == b"+2.0E+00\n"
