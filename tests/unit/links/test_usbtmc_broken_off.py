"""An answer out of whose middle something is missing is no answer: 1 … 5 is not 15."""

import errno

import pytest
import usb.core

from capture.errors import LinkLost


def stall(*_arguments):
    raise usb.core.USBError("Pipe error", -9, errno.EPIPE)


def overflow(*_arguments):
    raise usb.core.USBError("Overflow", -8, errno.EOVERFLOW)


def noise(_handle, _endpoint, _interface, buffer, _timeout):
    """A short packet that is no header."""
    buffer[:16] = type(buffer)("B", bytes(16))
    return 16


def stumble(bus, instead):
    """Have something else happen in place of the next read of Bulk-IN, once."""
    read = bus.bulk_read

    def once(*arguments):
        bus.bulk_read = read
        return instead(*arguments)

    bus.bulk_read = once


def given(link, limit=100):
    """Read on, and give what came in a few reads."""
    return [link.read(limit, 0.25) for _ in range(8)]


@pytest.mark.parametrize("instead", [stall, overflow, noise])
def test_an_answer_that_breaks_off_after_its_first_half_was_given_ends_the_session(device, instead):
    """Its driver has the first half, and would join it with whatever comes next."""
    end, link = device({"cap": 4})
    link.write(b"*IDN?\n")
    assert link.read(100, 1.0) == (b"SIMU", False)
    stumble(end.bus, instead)
    with pytest.raises(LinkLost, match="broke off in the middle of an answer") as lost:
        given(link)
    assert "\n" not in str(lost.value)


@pytest.mark.parametrize("instead", [stall, overflow, noise])
def test_after_a_new_opening_answers_are_whole(device, whole, instead):
    end, link = device({"cap": 4})
    link.write(b"*IDN?\n")
    link.read(2, 1.0)
    stumble(end.bus, instead)
    with pytest.raises(LinkLost):
        given(link, 2)
    link.close()
    link.open()
    link.write(b"*IDN?\n")
    assert whole(link) == b"SIMULATED,COUNTER,0,0\n"


def test_noise_before_an_answer_began_costs_nothing(device, whole):
    end, link = device()
    link.write(b"FETC?\n")
    stumble(end.bus, noise)
    assert whole(link) == b"+1.0E+00\n"
