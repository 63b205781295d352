"""A meter that lacks queries comes back at once: what it never answered is not asked again."""

import pytest

from capture.driver import Malformed, NoAnswer, Resync, Send
from drivers.scpi_meter.driver import ScpiMeterOptions, make

OPTIONS = ScpiMeterOptions(interval_s=0.02, timeout_s=1.0)
ANSWERS = {
    "*IDN?": b"A MAKER,A METER,0,1.0\n",
    "SYST:ERR?": b'0,"No error"\n',
    "FETC?": b"+8.421E-01\n",
}
WATCHED = ANSWERS | {"*ESR?": b"0\n"}
OTHER = ANSWERS | {"*IDN?": b"A MAKER,A METER,1,1.0\n"}


def session(earlier, answers):
    """Run a new driver on an instrument until a value came; give it, the time and what was asked."""
    driver, now, asked = make(OPTIONS), 0.0, []
    if earlier is not None:
        driver.resume(earlier)
    while now < 10:
        for action in list(driver.outgoing(now)):
            if isinstance(action, Resync):
                continue
            assert isinstance(action, Send)
            asked.append(action.data.decode().strip())
            answer = answers.get(asked[-1])
            if answer is not None:
                driver.receive(answer, False, now)
        while (event := driver.next_event()) is not None:
            assert not isinstance(event, Malformed)
            if not isinstance(event, NoAnswer) and hasattr(event, "value"):
                return driver, now, asked
        now = max(now + 0.001, driver.wake_at())
    raise AssertionError("no value came")


def test_what_was_not_answered_in_two_sessions_is_not_waited_for_in_the_third():
    first, waited, _ = session(None, ANSWERS)
    assert waited >= 1.0
    second, waited, asked = session(first, ANSWERS)
    assert waited >= 1.0  # once may be an answer that was lost with the link
    assert "*ESR?" in asked
    third, waited, asked = session(second, ANSWERS)
    assert waited < 0.1
    assert asked == ["*IDN?", "SYST:ERR?", "FETC?"]
    _, waited, asked = session(third, ANSWERS)
    assert waited < 0.1
    assert "*ESR?" not in asked


def test_another_instrument_is_asked_everything():
    first, _, _ = session(None, ANSWERS)
    second, _, _ = session(first, ANSWERS)
    third, _, asked = session(second, OTHER)
    assert "*ESR?" in asked
    # And what that one lacks is counted for itself alone.
    _, _, asked = session(third, OTHER)
    assert "*ESR?" in asked


def test_an_answer_between_two_losses_counts_from_the_beginning():
    first, _, _ = session(None, ANSWERS)
    second, _, _ = session(first, WATCHED)
    third, _, asked = session(second, ANSWERS)
    assert "*ESR?" in asked
    _, _, asked = session(third, WATCHED)
    assert "*ESR?" in asked


def test_a_link_that_is_lost_before_the_identity_came_forgets_nothing():
    first, _, _ = session(None, ANSWERS)
    second, _, _ = session(first, ANSWERS)
    cut_off = make(OPTIONS)
    cut_off.resume(second)
    _, _, asked = session(cut_off, ANSWERS)
    assert "*ESR?" not in asked


@pytest.mark.parametrize("lacking", ["*ESR?", "SYST:ERR?"])
def test_either_query_can_be_lacking(lacking):
    answers = {name: answer for name, answer in WATCHED.items() if name != lacking}
    driver = None
    for _ in range(2):
        driver, _, asked = session(driver, answers)
        assert lacking in asked
    _, waited, asked = session(driver, answers)
    assert lacking not in asked
    assert waited < 0.1
