"""Every instrument takes any bytes, in any pieces, at any times, and never falls over."""

import itertools
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators import catalogue
from simulators.faults import KINDS as FAULTS
from simulators.faults import Damaged
from simulators.scpi_resistance import ScpiResistanceMeter, ScpiResistanceSettings
from simulators.usbtmc import UsbtmcDevice
from simulators.usbtmc_rules import Departures, StallError

# Words that reach deep, mixed with junk.
WORDS = st.sampled_from([
    b"*IDN?", b"*OPC?", b"*RST", b"*CLS", b"*ESR?", b"FETC?", b"READ?", b"INIT", b"ABOR",
    b"FORM REAL,64", b"FORM:DATA ASC,", b"CONF:FRES 10", b"SAMP:COUN 3", b"SYST:ERR?", b"FUNC",
    b":", b";", b",", b" ", b"\n", b"\r\n", b'"', b"'", b"#", b"9.9E37", b"MIN", b"\x00", b"\xff",
])  # fmt: skip
BYTES = st.lists(st.one_of(WORDS, st.binary(max_size=12)), max_size=20).map(b"".join)
STEPS = st.lists(st.tuples(BYTES, st.floats(0.0, 3.0)), max_size=10)


@pytest.mark.parametrize("name", list(catalogue.KINDS))
@given(steps=STEPS)
@settings(max_examples=150, deadline=None)
def test_any_bytes_at_any_time(name, steps):
    instrument = catalogue.make(name, {})
    now = 0.0
    for data, pause in steps:
        instrument.received(data, now)
        now += pause
        instrument.spoken(now)
        due = instrument.wake_at()
        assert due is None or due == due  # noqa: PLR0124 - not a NaN, which would never be due
        instrument.command(data.decode("latin-1"), now)


@given(data=BYTES, cuts=st.lists(st.integers(0, 200), max_size=8))
@settings(max_examples=300, deadline=None)
def test_any_chunking_gives_the_same_answers(data, cuts):
    def answers(parts):
        meter = ScpiResistanceMeter(ScpiResistanceSettings(pair="U-V"))
        return b"".join(meter.received(part, 1.0) for part in parts) + meter.spoken(50.0)

    places = sorted({min(cut, len(data)) for cut in cuts} | {0, len(data)})
    parts = [data[a:b] for a, b in itertools.pairwise(places)]
    assert answers(parts) == answers([data])


@given(data=BYTES)
@settings(max_examples=300, deadline=None)
def test_errors_are_always_well_formed(data):
    """SCPI-99 vol. 2 §21.8: number, comma, quoted text of at most 255 characters."""
    meter = ScpiResistanceMeter(ScpiResistanceSettings())
    meter.received(data, 0.0)
    meter.clear_bus()
    for _ in range(12):
        answer = meter.received(b"SYST:ERR?\n", 100.0)
        assert re.fullmatch(rb'(0|-[1-4]\d\d),"(?:[^"\n]|"")*"\n', answer), answer
        assert len(answer) < 270
    assert answer == b'0,"No error"\n'


@pytest.mark.parametrize("name", list(FAULTS))
@given(steps=STEPS)
@settings(max_examples=50, deadline=None)
def test_any_bytes_through_any_fault(name, steps):
    damaged = Damaged(catalogue.make("scpi-lcr", {"pair": "U-V"}), [name], seed=3)
    now = 0.0
    for data, pause in steps:
        damaged.received(data, now)
        now += pause
        damaged.spoken(now)


@given(
    steps=st.lists(
        st.one_of(
            st.tuples(st.just("out"), st.binary(max_size=80)),
            st.tuples(st.just("message"), BYTES),
            st.tuples(st.just("in"), st.integers(1, 1024)),
            st.tuples(st.just("control"), st.integers(0, 255)),
            st.tuples(st.just("halt"), st.booleans()),
        ),
        max_size=25,
    )
)
@settings(max_examples=300, deadline=None)
def test_usb_device_takes_any_order_of_anything(steps):
    device = UsbtmcDevice(catalogue.make("scpi-resistance", {"pair": "U-V"}), Departures())
    now = 0.0
    for tag, (kind, what) in enumerate(steps, 1):
        now += 0.05
        try:
            if kind == "out":
                device.bulk_out(what, now)
            elif kind == "message":
                header = bytes([1, tag, tag ^ 255, 0]) + len(what).to_bytes(4, "little")
                device.bulk_out(header + b"\x01\0\0\0" + what + bytes(-len(what) % 4), now)
                device.bulk_out(bytes([2, 99, 156, 0, 255, 0, 0, 0, 0, 0, 0, 0]), now)
            elif kind == "in":
                device.work(now)
                data, _complete = device.bulk_in(-(-what // 512) * 512)
                assert len(data) <= 1024
            elif kind == "control":
                device.control(what, tag, 24, now)
            else:
                device.clear_halt(bulk_out=what)
        except StallError:
            pass
    # Whatever happened: a clear with its drain, and the device is there again.
    device.control(5, 0, 1, now)
    while device.control(6, 0, 2, now)[0] == 2:
        device.bulk_in(512)
    device.clear_halt(bulk_out=True)
    device.bulk_out(bytes([1, 7, 248, 0, 5, 0, 0, 0, 1, 0, 0, 0]) + b"*OPC?\0\0\0", now)
    device.bulk_out(bytes([2, 8, 247, 0, 99, 0, 0, 0, 0, 0, 0, 0]), now)
    device.work(now + 60.0)
    assert device.bulk_in(512)[0][12:14] == b"1\n"
