"""Lines a second that a profile decodes, against a regular expression and float()."""

import re
import time

from figure import ratio

from capture.driver import Indication
from drivers.ascii_meter.driver import AsciiMeterOptions, make

_LINES = [b"R %d.%d mOhm\r\n" % (100 + n % 900, n % 10) for n in range(1000)]
_CHUNK = 4096


def figures(lines, repeat):
    """Decode the same bytes, in the same chunks."""
    data = b"".join(_LINES) * (lines // len(_LINES))
    chunks = [data[at : at + _CHUNK] for at in range(0, len(data), _CHUNK)]
    ours, theirs = [], []
    for _ in range(repeat):
        theirs.append(_by_hand(chunks))
        ours.append(_by_driver(chunks, lines))
    yield ratio("decoder lines/s against re.match + float", ours, theirs, 0.2)


def _by_hand(chunks):
    pattern = re.compile(rb"R +([-+]?[0-9.]+) ([mkM]?Ohm)")
    scale = {b"Ohm": 1.0, b"mOhm": 1e-3, b"kOhm": 1e3, b"MOhm": 1e6}
    began = time.perf_counter()
    rest, count = b"", 0
    for chunk in chunks:
        *lines, rest = (rest + chunk).split(b"\r\n")
        for line in lines:
            found = pattern.match(line)
            float(found[1]) * scale[found[2]]
            count += 1
    return count / (time.perf_counter() - began)


def _by_driver(chunks, wanted):
    driver = make(AsciiMeterOptions(profile="resistance-lines"))
    list(driver.outgoing(0.0))
    now, count = 1.0, 0
    began = time.perf_counter()
    for chunk in chunks:
        now += 0.01
        driver.receive(chunk, False, now)
        while (event := driver.next_event()) is not None:
            count += isinstance(event, Indication)
    seconds = time.perf_counter() - began
    assert count >= wanted - 1, (count, wanted)
    return count / seconds
