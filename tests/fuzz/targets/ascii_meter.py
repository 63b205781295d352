"""The line-sending meter with every built-in profile: bytes in, cut anyhow, events out.

No exception at all; the same events however the bytes were cut; every value is what its digits say.
"""

from choices import Choices, cut
from sound import drained, sound

from capture.driver import Indication, Malformed, Send, built_in_profiles
from drivers.ascii_meter.driver import PACKAGE, AsciiMeterOptions, make, messages

MUTATIONS = 700
PROFILES = tuple(built_in_profiles(PACKAGE))
LINES = (
    b"R 842.1 mOhm\r\nR OL\r\n",
    b"R 842,1 mOhm\r\n",
    b" 512.4 MOhm\r\n>5.50 GOhm LIVE!\r\n",
    b" 512.4 MOhm*B0E5\r\n",
    b"00:00:15 500 V 512.4 MOhm\r\nLIVE 34 V\r\n",
    b"0001,2026-03-14 08:00:00,U-V,0.8242 Ohm\r\n",
    b"  842.13 mOhm   R3  STAB\r\n",
    b"\x02R  842.13 mOhm\x03D",
    b"DCV  -12.043 V\r\nOHM    OL   kOhm\r\n",
    b"T= 23.4 C  RH= 41.5 %\r\n",
    bytes.fromhex("00 01 00 06 4A 8C FD 3C") * 2,
)


def seeds():
    """Give every line to every profile."""
    for number in range(len(PROFILES)):
        for line in LINES:
            yield bytes((number, 1, 7)) + line


def target(data):
    """Read a stream twice, whole and in pieces."""
    choices = Choices(data)
    options = AsciiMeterOptions(profile=choices.of(PROFILES))
    quiet, seed = choices.of((0.0, 5.0)), choices.byte()
    stream = choices.rest()
    whole = _read(options, quiet, [stream])
    pieces = _read(options, quiet, cut(stream, seed))
    if quiet:
        assert _joined(pieces) == _joined(whole)
    # Opened in the middle of a line, what was passed over is told by the piece, values are not.
    assert _shown(pieces) == _shown(whole)
    for event in whole:
        if isinstance(event, Indication):
            sound(event)
        elif isinstance(event, Malformed):
            assert "\n" not in event.reason


def _joined(events):
    """Join neighbours that are no frame of a packed stream: how much of it is told at once is open."""
    joined = []
    for event in events:
        last = joined[-1] if joined else None
        if isinstance(event, Malformed) and isinstance(last, Malformed) and (
            "no frame" in event.reason and last.reason == event.reason
        ):  # fmt: skip
            joined[-1] = Malformed(last.raw + event.raw, event.reason)
        else:
            joined.append(event)
    return joined


def _shown(events):
    return [event for event in events if isinstance(event, Indication)]


def _read(options, quiet, pieces):
    driver = make(options)
    allowed = messages(options)
    events, now = [], 0.0
    _sent(driver.outgoing(now), allowed)
    now += quiet
    for piece in pieces:
        driver.receive(piece, False, now)
        events += drained(driver)
    for _ in range(3):
        now += 5.0
        _sent(driver.outgoing(now), allowed)
        events += drained(driver)
    return events


def _sent(actions, allowed):
    for action in actions:
        if isinstance(action, Send):
            assert action.data.strip() in [each.strip() for each in allowed]
