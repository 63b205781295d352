"""The drivers that ask, SCPI meter and LCR bridge: answers of any bytes, cut anyhow.

No exception; nothing is sent that was not announced; the same events however answers were cut;
every value is what its digits say.
"""

from choices import Choices, cut
from sound import drained, sound

from capture.driver import Indication, Malformed, Resync, Send
from capture.driver.events import Reply
from drivers.scpi_lcr import driver as lcr
from drivers.scpi_meter import driver as meter

MUTATIONS = 500
_MOST_ACTIONS = 60
SETTINGS = (
    (meter, meter.ScpiMeterOptions()),
    (meter, meter.ScpiMeterOptions(several=True, interval_s=0.1)),
    (meter, meter.ScpiMeterOptions(query="READ?", unit="mOhm")),
    (meter, meter.ScpiMeterOptions(event_query="STAT:OPER?", event_bit=4)),
    (lcr, lcr.ScpiLcrOptions()),
    (lcr, lcr.ScpiLcrOptions(measures_every_s=0.5)),
)
ANSWERS = (
    b"MAKER,MODEL 1,12345,1.0",
    b"+8.421E-01",
    b'0,"No error"',
    b"16",
    b"LSRS",
    b"+1.0000E+03",
    b"+8.42100E-03,+1.20000E+00,+0",
    b"9.9E37",
    b"+9.91E+37,-9.9E37,-1",
    b"#15hello",
    b'-113,"Undefined header"',
)


def seeds():
    """Give each driver some healthy answers in some order."""
    for number in range(len(SETTINGS)):
        for first in range(len(ANSWERS)):
            turned = ANSWERS[first:] + ANSWERS[:first]
            yield bytes((number, 0, 5)) + b"\0".join(turned * 2)


def target(data):
    """Hold two conversations with the same answers, whole and in pieces."""
    choices = Choices(data)
    driver, options = choices.of(SETTINGS)
    messages, seed = choices.byte() & 1, choices.byte()
    answers = choices.rest().split(b"\0")
    whole = _talk(driver, options, answers, messages, lambda answer: [answer])
    pieces = _talk(driver, options, answers, messages, lambda answer: cut(answer, seed))
    assert whole == pieces
    for event in whole:
        if isinstance(event, Indication):
            sound(event)
        elif isinstance(event, Malformed):
            assert "\n" not in event.reason


def _talk(module, options, answers, messages, cut_):
    driver = module.make(options)
    allowed = {each.strip() for each in module.messages(options)}
    waiting = list(reversed(answers))
    events, now = [], 100.0
    for _ in range(_MOST_ACTIONS):
        for action in driver.outgoing(now):
            if isinstance(action, Resync):
                continue
            assert isinstance(action, Send)
            assert action.data.strip() in allowed, action
            if action.reply is Reply.NONE or not waiting:
                continue
            answer = waiting.pop() + (b"" if messages else b"\n")
            pieces = cut_(answer) or [b""]
            for piece in pieces[:-1]:
                driver.receive(piece, False, now)
            driver.receive(pieces[-1], bool(messages), now)
        events += drained(driver)
        wake = driver.wake_at()
        now = now + 0.001 if wake is None else max(now + 0.001, wake)
        if not waiting:
            break
    return events
