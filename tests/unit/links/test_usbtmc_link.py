"""Our USBTMC host, through the real pyusb, against simulated devices that keep to the rules or not.

What departures exist: reports of the general USBTMC hosts' users; there is no list in a standard.
"""

import time

import pytest
import usb.core
from usbtmc_answers import ANSWERS, LONG, ask

from capture.errors import LinkError, LinkLost, LinkOpenError, LinkTimeout


@pytest.mark.parametrize("packet", [64, 512])
@pytest.mark.parametrize("interrupt", [True, False])
def test_answers_of_every_size_come_whole_and_no_rule_is_broken(device, whole, packet, interrupt):
    end, link = device(packet=packet, interrupt=interrupt, settings={"request_bytes": 256})
    for query, answer in ANSWERS.items():
        assert ask(link, query, whole) == answer
    assert [ask(link, b"FETC?", whole) for _ in range(300)] == [
        b"%+d.0E+00\n" % n for n in range(1, 301)
    ]
    assert end.device.complaints == []


def test_a_plain_device_without_the_488_subclass_is_read(device, whole):
    end, link = device(usb488=False)
    assert ask(link, b"LONG?", whole) == LONG
    assert end.device.complaints == []
    with pytest.raises(LinkTimeout, match="no status byte"):
        link.status_byte()


def test_a_read_gives_no_more_than_it_was_asked_for(device):
    _, link = device()
    link.write(b"*IDN?\n")
    assert link.read(4, 0.25) == (b"SIMU", False)
    assert link.read(4, 0.25) == (b"LATE", False)
    assert link.read(100, 0.25) == (b"D,COUNTER,0,0\n", True)


def test_one_request_stays_while_reads_time_out(device, whole, quickest):
    """A second request before the first is answered would be an error to the device."""
    end, link = device(delay=600.0)
    link.write(b"FETC?\n")

    def read():
        assert link.read(100, 0.05) == (b"", False)

    assert quickest(read) < 0.2
    end.instrument.release()
    assert whole(link) == b"+1.0E+00\n"
    assert end.device.complaints == []


FAULTS = {
    "1 raw continuation": ({"raw_continuation": True}, {"request_bytes": 256}),
    "2 EOM always": ({"eom": "always"}, {}),
    "2 EOM always, in parts": ({"eom": "always", "cap": 100}, {}),
    "2 EOM never": ({"eom": "never"}, {}),
    "2 EOM never, in parts": ({"eom": "never", "cap": 100}, {}),
    "2 EOM never, by line": ({"eom": "never"}, {"message_end": "line-feed"}),
    "3 capped": ({"cap": 40}, {}),
    "3 promises more": ({"size": "larger"}, {}),
    "3 sends more": ({"overrun": True}, {"request_bytes": 256}),
    "4 wrong MsgID": ({"wrong_id": True}, {}),
    "4 wrong bTag": ({"wrong_tag": True}, {"request_bytes": 256}),
    "4 both wrong": ({"wrong_id": True, "wrong_tag": True}, {}),
    "5 header alone": ({"split_header": True}, {}),
    "5 header alone, in parts": ({"split_header": True}, {"request_bytes": 256}),
    "5 no short packet": ({"no_short_packet": True}, {}),
    "5 small packet claimed": ({"reported_packet": 64}, {}),
    "5 large packet claimed": ({"reported_packet": 1024}, {}),
    "5 odd packet claimed": ({"reported_packet": 63}, {}),
    "6 line feed wanted": ({"needs_lf": True}, {}),
    "7 no clear": ({"stalls": "clear"}, {}),
    "7 no abort": ({"stalls": "abort"}, {}),
    "7 nothing on control": ({"stalls": "abort+clear+capabilities+indicator+status+remote"}, {}),
    "8 dead after a time-out": ({"dead_after_timeout": True}, {"wait_for_mav": True}),
    "9 clear-halt upsets": ({"halt_upsets": True}, {}),
    "10 short requests only": ({"longest_request": 63}, {"request_bytes": 63}),
    "11 remote wanted": ({"needs_remote": True}, {"ren": "yes"}),
}  # fmt: skip


@pytest.mark.parametrize("interrupt", [True, False])
@pytest.mark.parametrize(("departures", "settings"), FAULTS.values(), ids=FAULTS)
def test_no_fault_of_a_device_loses_cuts_or_doubles_an_answer(
    device, whole, departures, settings, interrupt
):
    _, link = device(departures, settings=settings, interrupt=interrupt)
    binary = settings.get("message_end") != "line-feed"
    for query in (b"*IDN?", b"LONG?", b"EDGE?", *([b"CURV?"] if binary else [])):
        expected = ANSWERS.get(query) or b"SIMULATED,COUNTER,0,0\n"
        assert ask(link, query, whole) == expected, query
    assert [ask(link, b"FETC?", whole) for _ in range(3)] == [
        b"+1.0E+00\n", b"+2.0E+00\n", b"+3.0E+00\n",
    ]  # fmt: skip


@pytest.mark.parametrize("interrupt", [True, False])
@pytest.mark.parametrize(("departures", "settings"), FAULTS.values(), ids=FAULTS)
def test_after_resync_no_old_answer_comes(device, whole, departures, settings, interrupt):
    """The most dangerous silent error: every reading shifted by one query."""
    end, link = device(departures, settings=settings, interrupt=interrupt)
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"
    for n in range(2, 5):
        link.write(b"FETC?\n")
        link.resync()
        assert ask(link, b"*IDN?", whole) == b"SIMULATED,COUNTER,0,0\n", n
    end.instrument.delay = 3600
    link.write(b"FETC?\n")
    assert link.read(100, 0.01) == (b"", False)
    link.resync()
    end.instrument.release()  # the late answer is ready now, after it was given up
    end.instrument.delay = 0.0
    assert ask(link, b"*IDN?", whole) == b"SIMULATED,COUNTER,0,0\n"


@pytest.mark.parametrize("stalls", ["", "clear"])
def test_a_device_that_died_of_a_time_out_lives_again_after_resync(device, whole, stalls):
    """Hosts that leave the drain read of the abort out never get it back."""
    _, link = device({"dead_after_timeout": True, "stalls": stalls})
    link.write(b"NONE?\n")
    assert link.read(100, 0.05) == (b"", False)
    link.resync()
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"


def test_an_abort_is_drained_before_the_device_is_asked_how_far_it_is(device):
    """USBTMC §4.2.1.4: after INITIATE_ABORT_BULK_IN read to a short packet, then CHECK."""
    end, link = device(delay=3600, settings={"ren": "no"})
    link.write(b"FETC?\n")
    assert link.read(100, 0.01) == (b"", False)
    steps = []
    control, bulk_in = end.device.control, end.device.bulk_in
    end.device.control = lambda *request: steps.append(request[0]) or control(*request)
    end.device.bulk_in = lambda room: steps.append("read") or bulk_in(room)
    link.resync()
    # Remote enable (160) may be tried first: the device has never answered.
    assert [step for step in steps if step != 160] == [3, "read", 4, 5, 6]


def test_waiting_for_mav_asks_nothing_before_there_is_an_answer(device, whole):
    _, link = device({"dead_after_timeout": True}, settings={"wait_for_mav": True}, delay=0.2)
    link.write(b"FETC?\n")
    assert link.read(100, 0.02) == (b"", False)
    assert whole(link) == b"+1.0E+00\n"


def test_remote_is_enabled_by_itself_for_a_device_that_answers_nothing_without_it(device, whole):
    _, link = device({"needs_remote": True})
    link.write(b"FETC?\n")
    assert link.read(100, 0.05) == (b"", False)
    link.resync()
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"


def test_remote_is_left_alone_for_a_device_that_answers(device, whole):
    end, link = device()
    seen = []
    control = end.device.control
    end.device.control = lambda *request: seen.append(request[0]) or control(*request)
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"
    link.resync()
    link.close()
    assert 160 not in seen


def test_remote_that_was_enabled_is_given_back_on_closing(device):
    end, link = device(settings={"ren": "yes"})
    assert end.device._remote
    link.close()
    assert not end.device._remote


def test_requests_get_small_by_themselves_for_a_device_that_answers_no_large_one(device, whole):
    _, link = device({"longest_request": 63})
    for _ in range(2):
        link.write(b"FETC?\n")
        assert link.read(100, 0.05) == (b"", False)
        link.resync()
    assert ask(link, b"LONG?", whole) == LONG


def test_an_answer_without_a_line_feed_ends_with_eom(device, whole):
    _, link = device()
    assert ask(link, b"BARE?", whole) == b"+1.5"


def test_half_a_number_is_never_taken_for_a_whole_one(device):
    """A header that promises more than comes, and no line feed: the message has no end."""
    _, link = device({"size": "larger"}, interrupt=False, usb488=False)
    link.write(b"BARE?\n")
    got = [link.read(100, 0.25) for _ in range(4)]
    assert not any(ended for _, ended in got)


def test_an_answer_to_an_old_request_is_dropped_by_its_tag(device, whole):
    end, link = device()
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"
    end.device.work = lambda _now: None  # holds its answers back
    link.write(b"FETC?\n")
    assert link.read(100, 0.01) == (b"", False)
    stale = bytes([2, 1, 0xFE, 0, 9, 0, 0, 0, 1, 0, 0, 0]) + b"+9.0E+09\n"
    end.device._packets.append(stale)
    assert link.read(100, 0.05) == (b"", False)
    del end.device.work
    assert whole(link) == b"+2.0E+00\n"


def test_writing_takes_back_what_was_asked_for(device, whole):
    end, link = device(delay=0.1)
    link.write(b"FETC?\n")
    assert link.read(100, 0.01) == (b"", False)
    end.instrument.delay = 0.0
    assert ask(link, b"*IDN?", whole) == b"SIMULATED,COUNTER,0,0\n"
    assert end.device.complaints == []


def test_line_feed_can_be_left_out(device):
    end, link = device(settings={"trailing_line_feed": False})
    seen = []
    end.instrument.received = lambda data, _now: seen.append(data) or b""
    sent = end.device.bulk_out
    transfers = []
    end.device.bulk_out = lambda data, now: transfers.append(data) or sent(data, now)
    link.write(b"FETC?\n")
    assert transfers[0][12:] == b"FETC?\0\0\0"
    assert transfers[0][4] == 5


# ── status byte ──────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("interrupt", [True, False])
def test_status_byte_both_ways(device, interrupt):
    _, link = device(interrupt=interrupt)
    assert [link.status_byte() for _ in range(130)] == [0] * 130  # round its tags
    link.write(b"FETC?\n")
    assert link.status_byte() == 0x10


def test_status_byte_is_told_from_service_requests_on_the_same_pipe(device):
    end, link = device()
    end.device._interrupts.extend([b"\x81\x50", b"\x81\x60", b"\x85\x01"])
    assert link.status_byte() == 0


def test_a_status_byte_that_never_comes_is_a_time_out(device):
    end, link = device()
    end.device.interrupt_in = lambda: None
    with pytest.raises(LinkTimeout, match="does not send its status byte"):
        link.status_byte()


def test_a_status_byte_lost_for_a_busy_pipe_is_asked_for_again(device):
    """USB488 table 10: STATUS_INTERRUPT_IN_BUSY is 0x20."""
    end, link = device()
    control, busy = end.device.control, [True]

    def answer(request, value, length, now):
        if request == 128 and busy:
            busy.clear()
            end.device._interrupts.append(b"\x82\x10")
            return bytes([0x20, value, 0])
        return control(request, value, length, now)

    end.device.control = answer
    assert link.status_byte() == 0


# ── losing it ────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("use", [
    lambda link: link.read(10, 0.1), lambda link: link.write(b"FETC?\n"),
    lambda link: link.resync(), lambda link: link.status_byte(),
], ids=["read", "write", "resync", "status_byte"])  # fmt: skip
def test_an_unplugged_device_is_a_lost_link_whatever_is_done(device, use):
    end, link = device()
    end.unplug()
    with pytest.raises(LinkLost, match=r"went away .*check the cable") as caught:
        use(link)
    assert "\n" not in str(caught.value)
    link.close()
    link.close()


@pytest.mark.parametrize("use", [
    lambda link: link.read(10, 0.1), lambda link: link.write(b"FETC?\n"),
    lambda link: link.resync(), lambda link: link.status_byte(),
])  # fmt: skip
def test_a_link_that_is_not_open_says_so(far_ends, use):
    with pytest.raises(LinkError, match="is not open"):
        use(far_ends.UsbEnd().make_link())


def test_a_message_that_is_not_taken_is_aborted_and_said(device, whole, monkeypatch):
    end, link = device()

    def stuck(*_arguments):
        raise usb.core.USBTimeoutError("Operation timed out", -7, 110)

    with monkeypatch.context() as patch:
        patch.setattr(end.bus, "bulk_write", stuck)
        with pytest.raises(LinkTimeout, match="does not take the message"):
            link.write(b"FETC?\n")
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"


def test_a_message_that_is_taken_in_half_is_aborted_so_that_the_next_one_is_whole(
    device, whole, monkeypatch
):
    end, link = device()
    write = end.bus.bulk_write

    def half(handle, endpoint, interface, data, timeout):
        return write(handle, endpoint, interface, data[:8], timeout)

    with monkeypatch.context() as patch:
        patch.setattr(end.bus, "bulk_write", half)
        patch.setattr(end.device, "packet", 8)
        with pytest.raises(LinkTimeout):
            link.write(b"FETC?\n")
    assert ask(link, b"*IDN?", whole) == b"SIMULATED,COUNTER,0,0\n"
    assert end.instrument.count == 0


def test_a_device_that_answers_neither_abort_nor_clear_is_reset_and_given_up(device, monkeypatch):
    end, link = device()
    resets = []
    control = end.bus.ctrl_transfer

    def silent(handle, kind, *rest):
        if kind in (0xA1, 0xA2):
            raise usb.core.USBTimeoutError("Operation timed out", -7, 110)
        return control(handle, kind, *rest)

    monkeypatch.setattr(end.bus, "ctrl_transfer", silent)
    monkeypatch.setattr(end.bus, "reset_device", resets.append)
    with pytest.raises(LinkLost, match="does not react to abort or clear"):
        link.resync()
    assert len(resets) == 1


def test_a_device_that_is_never_done_with_a_clear_holds_nobody_up_for_ever(device, whole):
    end, link = device()
    control = end.device.control

    def pending(request, value, length, now):
        return bytes([2, 0]) if request == 6 else control(request, value, length, now)

    end.device.control = pending
    began = time.monotonic()
    link.resync()
    assert time.monotonic() - began < 10
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"


def test_a_packet_too_large_for_the_buffer_costs_its_answer_only(device, whole, monkeypatch):
    end, link = device()
    read = end.bus.bulk_read

    def overflow(*_arguments):
        raise usb.core.USBError("Overflow", -8, 75)

    link.write(b"FETC?\n")
    monkeypatch.setattr(end.bus, "bulk_read", overflow)
    assert link.read(100, 0.05) == (b"", False)
    monkeypatch.setattr(end.bus, "bulk_read", read)
    assert ask(link, b"FETC?", whole) == b"+2.0E+00\n"


def test_twenty_times_unplugged_and_plugged_in_other_sockets(far_ends, whole):
    end = far_ends.UsbEnd()
    for cycle in range(1, 21):
        link = end.make_link()
        link.open()
        assert ask(link, b"FETC?", whole) == b"%+d.0E+00\n" % cycle
        end.unplug()
        with pytest.raises(LinkLost):
            link.read(100, 0.1)
        link.close()
        with pytest.raises(LinkOpenError, match="no such device"):
            end.make_link().open()
        end.plug()
