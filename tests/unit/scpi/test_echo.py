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


def held(driver, answers, seconds=30.0, end=b"\r\n", *, slow=False):
    """Talk to an instrument that says again all that it hears; give what came of it.

    A slow one says nothing before it is asked something.
    """
    now, said, kept = 0.0, [], b""
    while now < seconds:
        for action in driver.outgoing(now):
            if isinstance(action, Resync):
                said.append(action)
                continue
            assert isinstance(action, Send)
            heard = action.data.strip()
            answer = answers.get(heard)
            kept += heard + end
            if slow and not heard.endswith(b"?"):
                continue
            driver.receive(kept, False, now)
            kept = b""
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


SETTING = "FORM ASC"
BARE = {"identify": False, "error_queue": False, "watch_s": 0.0}


def test_a_setting_told_in_the_words_that_set_it_is_an_answer_and_no_echo():
    """With headers on, the answer to `FORM?` is `FORM ASC`: it was passed over, and the setup lacked it."""
    driver = make(ScpiMeterOptions(setup=(SETTING, "FORM?"), **BARE))
    now, said = 0.0, []
    answers = {b"FORM?": SETTING.encode(), b"FETC?": b"+8.421E-01"}
    while now < 10.0:
        for action in driver.outgoing(now):
            if isinstance(action, Send) and (answer := answers.get(action.data.strip())):
                driver.receive(answer + b"\n", False, now)
            elif isinstance(action, Resync):
                said.append(action)
        said += iter(driver.next_event, None)
        now = max(now + 0.01, driver.wake_at())
    assert of(said, NoAnswer) == of(said, Malformed) == of(said, Resync) == []
    assert of(said, Indication)[0].value == Decimal("0.8421")


@pytest.mark.parametrize("setup", [(SETTING,), (SETTING, "FORM?"), ("SYST:REM", SETTING)])
def test_who_echoes_and_is_never_asked_who_it_is_is_read_after_one_mistake(setup):
    """Its first command comes back before any question does: what that is shows a moment later."""
    answers = {b"FORM?": b"ASC", b"FETC?": b"+8.421E-01"}
    said = held(make(ScpiMeterOptions(setup=setup, **BARE)), answers, slow=True)
    assert {each.value for each in of(said, Indication)} == {Decimal("0.8421")}
    assert len(of(said, Resync)) <= 1
    assert of(said, NoAnswer) == []


def test_who_echoes_and_tells_settings_with_headers_is_read():
    setup = (SETTING, "FORM?")
    answers = ANSWERS | {b"FORM?": SETTING.encode(), b"FETC?": b"+8.421E-01"}
    said = held(make(ScpiMeterOptions(setup=setup)), answers)
    assert of(said, Indication)[0].value == Decimal("0.8421")
    assert of(said, Malformed) == of(said, Resync) == of(said, NoAnswer) == []
