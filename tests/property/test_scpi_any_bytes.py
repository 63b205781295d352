"""SCPI drivers under any bytes, cut anywhere: nothing raises, no old answer becomes a value."""

import functools
import itertools
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.driver import Driver, Indication, Reply, Resync, Send, Status, unit_of
from drivers.scpi_lcr.driver import ScpiLcrOptions
from drivers.scpi_lcr.driver import make as make_lcr
from drivers.scpi_meter.driver import ScpiMeterOptions, make

MANY = settings(max_examples=2000, deadline=None)

ANSWERS = {
    "*IDN?": b"A MAKER,A METER,0,1.0\n",
    "*ESR?": b"0\n",
    "SYST:ERR?": b'0,"No error"\n',
    "FUNC:IMP?": b"LSRS\n",
    "FREQ?": b"1E3\n",
    "VOLT?": b"1\n",
    "FORM?": b"REAL,64\n",
    "FORM:BORD?": b"NORM\n",
}
DRIVERS = {
    "scpi-meter": lambda: make(ScpiMeterOptions(interval_s=0.1, timeout_s=0.2)),
    "scpi-meter, several": lambda: make(
        ScpiMeterOptions(interval_s=0.1, timeout_s=0.2, several=True)
    ),
    "scpi-lcr": lambda: make_lcr(ScpiLcrOptions(interval_s=0.1)),
}
#: Where these begin or end is where a driver can go wrong.
PIECES = st.sampled_from(
    [b"\n", b"\r", b",", b"#", b"#15", b"#0", b"+1.5", b"9.9E37", b"E", b'"', b"A MAKER,", b"0"]
) | st.binary(max_size=5)
JUNK = st.lists(PIECES, max_size=6).map(b"".join)
drivers = pytest.mark.parametrize("name", DRIVERS)


class Talk:
    """Lets a driver and a table of answers talk, with junk where the table says so."""

    def __init__(self, driver: Driver, value: bytes) -> None:
        self.driver = driver
        self.answers = {**ANSWERS, "FETC?": value}
        self.now = 50.0
        self.found: list[Indication] = []

    def receive(self, data: bytes, cuts: list[int]) -> None:
        """Feed bytes cut at these places."""
        edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
        for start, end in itertools.pairwise(edges):
            self.driver.receive(data[start:end], False, self.now)
            self.drain()

    def drain(self) -> None:
        """Take what the driver says; every value must be one that a reading can hold."""
        while (event := self.driver.next_event()) is not None:
            if isinstance(event, Indication):
                assert event.unit == unit_of(event.quantity)
                assert (event.value is None) <= (event.status is not Status.OK)
                assert event.value is None or abs(event.value) < Decimal("1e31")
                self.found.append(event)

    def run(self, steps: int, cuts: list[int], junk: dict[int, bytes]) -> None:
        """Go on for so many exchanges; before some of the answers junk arrives."""
        for step in range(steps):
            for action in list(self.driver.outgoing(self.now)):
                if isinstance(action, Resync):
                    continue
                assert isinstance(action, Send)
                if step in junk:
                    self.receive(junk[step], cuts)
                if action.reply is not Reply.NONE:
                    self.receive(self.answers[action.data.decode().strip()], cuts)
            self.drain()
            wake = self.driver.wake_at()
            self.now = max(self.now + 0.01, wake if wake is not None else self.now)


@drivers
@MANY
@given(
    st.dictionaries(st.integers(0, 12), JUNK, max_size=4),
    st.lists(st.integers(0, 60), max_size=5),
)
def test_good_values_come_again_after_any_junk(name, junk, cuts):
    """Junk before, between and inside answers costs time only; then the value is read again."""
    value = b"+6.21E-02,+8.3E-01,0\n" if name == "scpi-lcr" else b"+6.21E-02\n"
    talk = Talk(DRIVERS[name](), value)
    talk.run(13, cuts, junk)
    talk.found.clear()
    shown = []
    for number in range(20):  # new measurements, as a real meter makes them
        digits = f"+7.{number:03d}E-02"
        talk.answers["FETC?"] = (
            f"{digits},+8.4E-01,0\n".encode() if name == "scpi-lcr" else f"{digits}\n".encode()
        )
        talk.run(12, cuts, {})
        shown = [each.value for each in talk.found if each.value != Decimal("0.84")]
        if len(shown) >= 5 and all(
            Decimal("0.07") <= value < Decimal("0.071") for value in shown[-5:]
        ):
            return  # without junk nothing can change any more
    raise AssertionError(f"not the newest values after the junk has ended: {shown[-5:]}")


@drivers
@MANY
@given(st.lists(st.integers(0, 60), max_size=8))
def test_any_cutting_gives_the_same_values(name, cuts):
    """Whole or in pieces, the same values in the same order."""
    found = found_when_cut(name, cuts)
    assert found == found_whole(name)
    assert found


def found_when_cut(name, cuts):
    value = b"+6.21E-02,9.9E37,0\r\n" if name == "scpi-lcr" else b"+6.21E-02\r\n"
    talk = Talk(DRIVERS[name](), value)
    talk.run(20, cuts, {})
    return talk.found


@functools.cache
def found_whole(name):
    return found_when_cut(name, [])
