"""Random bytes into every driver: no exception, and no reading with a wrong scale.

    python -P tests/bench/noise.py [BYTES] [SEED]

Prints a table: a million bytes each by default, from a seed, so that a finding can be repeated.
Half of the bytes are any byte, half are the characters that instruments write numbers and units
with. A reading that comes of noise must still be one that the display could have shown: its value
is the number shown times the power of ten of its unit, computed here with a table of its own.
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


def noise(random_, size):
    """Make one burst."""
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
                break
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
