"""Random bytes into every driver: no exception, and no reading with a wrong scale.

    python -P tests/bench/noise.py [BYTES] [SEED]

Prints a table: a million bytes each by default, from a seed, so that a finding can be repeated.
A third each are any byte, the characters that instruments write numbers and units with, and whole
answers with up to two bytes changed, lost or put in. A reading that comes of noise must still be
one that the display could have shown: its value is the number shown times the power of ten of its
unit, computed here with a table of its own.
"""

import random
import sys
import time
from collections import Counter
from dataclasses import dataclass, field
from decimal import Decimal

from capture.driver import Driver, Indication, Malformed, Reply, Resync, Send, built_in_profiles
from drivers.ascii_meter.driver import PACKAGE, AsciiMeterOptions
from drivers.ascii_meter.driver import make as make_ascii
from drivers.scpi_lcr.driver import ScpiLcrOptions
from drivers.scpi_lcr.driver import make as make_lcr
from drivers.scpi_meter.driver import ScpiMeterOptions
from drivers.scpi_meter.driver import make as make_meter

STREAM = False
LIKELY = b"0123456789" * 3 + b'+-..,,eE;:#>< \r\n\r\n\n\x02\x03OLRTHkMGmuVAOhmFHz%*"'

#: Powers of ten by SI prefix (BIPM, SI Brochure, table 7), and units without one.
PREFIXES = {"p": -12, "n": -9, "u": -6, "µ": -6, "m": -3, "k": 3, "K": 3, "M": 6, "G": 9, "T": 12}
PLAIN = {
    "Ohm",
    "ohm",
    "OHM",
    "Ω",
    "V",
    "A",
    "F",
    "H",
    "Hz",
    "s",
    "W",
    "S",
    "%",
    "deg",
    "C",
    "Cel",
    "1",
}


@dataclass
class Result:
    """What a driver made of noise."""

    name: str
    taken: int = 0
    events: Counter = field(default_factory=Counter)
    wrong: list = field(default_factory=list)
    seconds: float = 0.0


def drivers():
    """Every driver, the ascii-meter with each of its profiles; name → how to make one."""
    made = {
        "scpi-meter": lambda: make_meter(ScpiMeterOptions()),
        "scpi-meter, milliohm, several": lambda: make_meter(
            ScpiMeterOptions(unit="mOhm", several=True, identify=False)
        ),
        "scpi-lcr": lambda: make_lcr(ScpiLcrOptions()),
    }
    for profile in built_in_profiles(PACKAGE):
        options = AsciiMeterOptions(profile=profile)
        made[f"ascii-meter, {profile}"] = lambda options=options: make_ascii(options)
    return made


def exponent_of(unit):
    """Give the power of ten of a unit as shown; a KeyError is a unit that no display has."""
    if unit in PLAIN or not unit:
        return 0
    assert unit[1:] in PLAIN, f"{unit!r} is no unit"
    return PREFIXES[unit[0]]


def fault_of(shown, default=0):
    """Say what is wrong with an indication that came of noise; None where nothing is."""
    if shown.value is None:
        return None
    digits = shown.digits.replace(",", ".")
    exponent = exponent_of(shown.shown_unit) if shown.shown_unit else default
    if Decimal(digits).scaleb(exponent) != shown.value:
        return f"{shown.digits} {shown.shown_unit} was read as {shown.value} {shown.unit}"
    return None


#: What a healthy instrument answers to everything but the question for values.
ANSWERS = {
    b"*IDN?": b"A MAKER,A METER,0,1.0",
    b"*ESR?": b"0",
    b"SYST:ERR?": b'0,"No error"',
    b"FUNC:IMP?": b"LSRS",
    b"FREQ?": b"+1.00000E+03",
    b"VOLT?": b"+1.00000E+00",
    b"FORM?": b"ASC",
    b"FORM:BORD?": b"NORM",
}


def answered(random_, actions):
    """Answer a question as a healthy instrument does, so that values are asked for at all."""
    asked = [each.data.strip() for each in actions if isinstance(each, Send)]
    if not asked or asked[-1] not in ANSWERS or random_.random() < 0.1:
        return b""
    return ANSWERS[asked[-1]] + b"\n"


#: Whole answers and lines, to be damaged in up to two places.
WHOLE = (
    b"+8.42130000E-01\n",
    b"+6.21E-02,+8.31E-01,0\n",
    b"R 842.1 mOhm\r\n",
    b"R 842,1 kOhm\r\n",
    b" 512.4 MOhm\r\n",
    b" 512.4 MOhm*B0E5\r\n",
    b">5.50 GOhm LIVE!\r\n",
    b"00:00:15 500 V 512.4 MOhm\r\n",
    b"0001,2026-03-14 08:00:00,U-V,0.8242 Ohm\r\n",
    b"  842.13 mOhm   R3  STAB\r\n",
    b"\x02R  842.13 mOhm\x03D",
    b"CAP   4.712 uF\r\n",
    b"DCV  -12.043 mV\r\n",
    b"T= 23.4 C  RH= 41.5 %\r\n",
    bytes.fromhex("00 01 00 06 4A 8C FD 3C 00 05 00 06 4A 8C FC 3D"),
)


def damaged(random_):
    """Make a burst of one whole answer with up to two bytes changed, lost or put in."""
    data = bytearray(random_.choice(WHOLE))
    for _ in range(random_.randrange(3)):
        place, what = random_.randrange(len(data)), random_.randrange(3)
        data[place : place + (what != 0)] = bytes(random_.choices(LIKELY, k=what != 1))
    return bytes(data)


def noise(random_, size):
    """Make one burst: a third each of any bytes, of likely ones, and of damaged answers."""
    if random_.random() < 0.8:  # they are short: about a third of all bytes
        return damaged(random_)
    if random_.random() < 0.5:
        return random_.randbytes(size)
    return bytes(random_.choices(LIKELY, k=size))


def run(name, make, count, seed=1):
    """Give a driver so many random bytes; it is asked and answered as a session would."""
    random_, result, began = random.Random(seed), Result(name), time.perf_counter()
    driver: Driver = make()
    default = -3 if "milliohm" in name else 0
    now = 0.0
    while result.taken < count:
        for _ in range(8):
            actions = list(driver.outgoing(now))
            if not any(isinstance(each, Resync | Send) for each in actions):
                break
            if any(isinstance(each, Send) and each.reply is not Reply.NONE for each in actions):
                good = answered(random_, actions)
                if not good:
                    break
                driver.receive(good, STREAM, now)
        burst = noise(random_, random_.randrange(1, 120))
        result.taken += len(burst)
        driver.receive(burst, STREAM, now)
        while (event := driver.next_event()) is not None:
            result.events[type(event).__name__] += 1
            if isinstance(event, Indication) and (fault := fault_of(event, default)) is not None:
                result.wrong.append(fault)
            if isinstance(event, Malformed) and not event.raw:
                result.wrong.append("malformed without bytes")
        wake = driver.wake_at()
        now += random_.choice((0.001, 0.02, 0.3))
        if wake is not None and random_.random() < 0.3:
            now = max(now, wake)
    result.seconds = time.perf_counter() - began
    return result


def say(text):
    """Print a line."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def main(arguments):
    """Print the table; 1 if anything was wrong."""
    count = int(arguments[0]) if arguments else 1_000_000
    seed = int(arguments[1]) if len(arguments) > 1 else 1
    say(f"{'driver':44} {'bytes':>9} {'malformed':>9} {'read':>6} {'wrong':>5} {'s':>6}")
    bad = 0
    for name, make in drivers().items():
        result = run(name, make, count, seed)
        bad += len(result.wrong)
        read, malformed = result.events["Indication"], result.events["Malformed"]
        say(
            f"{name:44} {result.taken:>9} {malformed:>9} {read:>6} {len(result.wrong):>5} "
            f"{result.seconds:>6.1f}"
        )
        for fault in result.wrong[:5]:
            say(f"    {fault}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
