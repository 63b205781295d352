"""An instrument whose echo is switched on: what was sent comes back, and is neither value nor identity."""

from decimal import Decimal

import pytest

from capture.driver import Identified, Indication, Malformed, NoAnswer, Resync, Send
from drivers.scpi_lcr.driver import ScpiLcrOptions
from drivers.scpi_lcr.driver import make as make_lcr
from drivers.scpi_meter.driver import ScpiMeterOptions, make

ANSWERS = {
    b"*IDN?": b"MAKER,METER,17,1.0",
    b"*ESR?": b"0",
    b"SYST:ERR?": b'0,"No error"',
    b"FUNC:IMP?": b"LSQ",
    b"FREQ?": b"1E3",
    b"VOLT?": b"1",
}


def held(driver, answers, seconds=30.0, end=b"\r\n"):
    """Talk to an instrument that says again all that it hears; give what came of it."""
    now, said = 0.0, []
    while now < seconds:
        for action in driver.outgoing(now):
            if isinstance(action, Resync):
                said.append(action)
                continue
            assert isinstance(action, Send)
            heard = action.data.strip()
            answer = answers.get(heard)
            driver.receive(heard + end, False, now)
            if answer is not None:
                driver.receive(answer + end, False, now)
        said += iter(driver.next_event, None)
        now = max(now + 0.01, driver.wake_at())
    return said


def of(said, kind):
    return [each for each in said if isinstance(each, kind)]


@pytest.mark.parametrize("setup", [(), ("SYST:REM", "FUNC 'FRES'")])
def test_a_meter_that_echoes_is_read(setup):
    said = held(make(ScpiMeterOptions(setup=setup)), ANSWERS | {b"FETC?": b"+8.421E-01"})
    assert [each.value for each in of(said, Indication)] == [Decimal("0.8421")]
    assert [each.serial for each in of(said, Identified)] == ["17"]
    assert of(said, Malformed) == of(said, Resync) == []


def test_a_bridge_that_echoes_is_read_under_its_settings():
    """A question about a setting is no setting."""
    said = held(make_lcr(ScpiLcrOptions()), ANSWERS | {b"FETC?": b"+6.21E-02,+4.7E+02,0"})
    assert len(of(said, Indication)) == 2
    assert of(said, Malformed) == []
    assert of(said, Indication)[0].conditions["function"] == "LSQ"


def test_who_only_echoes_is_nobody_and_gives_no_answer():
    """Two wires that touch: the question came back, and `*IDN?` was taken for a name."""
    said = held(make(ScpiMeterOptions()), {})
    assert of(said, Identified) == of(said, Indication) == []
    assert of(said, NoAnswer)


@pytest.mark.parametrize("late", [b"FETC?", b"*IDN?", b"SYST:ERR?"])
def test_an_echo_that_comes_late_is_no_identity(late):
    driver = make(ScpiMeterOptions())
    (asked,) = driver.outgoing(0.0)
    assert asked.data == b"*IDN?\n"
    for _ in range(3):
        driver.receive(late + b"\n", False, 0.1)
    assert of(iter(driver.next_event, None), Identified) == []
    driver.receive(b"MAKER,METER,17,1.0\n", False, 0.2)
    assert len(of(iter(driver.next_event, None), Identified)) == 1


def test_an_echo_is_passed_over_once():
    """What says the same again and again is out of step."""
    driver = make(ScpiMeterOptions(identify=False, error_queue=False, watch_s=0))
    (asked,) = driver.outgoing(0.0)
    assert asked.data == b"FETC?\n"
    driver.receive(b"FETC?\nFETC?\n", False, 0.1)
    (event,) = iter(driver.next_event, None)
    assert isinstance(event, Malformed)
