"""Every byte that a built-in driver, a built-in profile or a probe can send starts nothing.

The messages that they declare are looked at, and those that they send to every simulated
instrument, to noise and to silence, with no policy between that would hold anything back.
"""

import itertools
import random
import re
import threading

import pytest

from capture.cli.ports import _candidates
from capture.clock import ManualClock
from capture.discovery import Prober
from capture.discovery.candidates import Candidate
from capture.discovery.probe import MESSAGES
from capture.runtime import HARMLESS, MessagePolicy, Session
from drivers.scpi_meter.driver import ScpiMeterOptions, make, messages
from simulators import catalogue

# Subsystems and common commands that can start, raise, route or change something: SCPI-99 volume 1
# §6 and volume 2, IEEE 488.2 §10; from memory.
ENERGISING = frozenset(
    {"READ", "INIT", "INITIATE", "MEAS", "MEASURE", "CONF", "CONFIGURE", "TRIG", "TRIGGER"}
    | {"ARM", "ABOR", "ABORT", "OUTP", "OUTPUT", "SOUR", "SOURCE", "ROUT", "ROUTE", "INP", "INPUT"}
    | {"CAL", "CALIBRATION", "TEST", "STEP", "PULS", "PULSE", "STAR", "START"}
    | {"*TRG", "*RST", "*RCL", "*SAV", "*TST", "*CAL", "*DDT", "*WAI", "*PSC", "*SRE", "*ESE"}
)
SECONDS = 40.0
MOST_STEPS = 1500


class Everything:
    """A policy that lets everything pass, so that what would be held back is seen."""

    def check(self, data):
        pass


def harmless_headers():
    """Spell out every short and long form of the harmless list, without the code under test."""
    spelt = set()
    for header in HARMLESS:
        forms = []
        for part in header.rstrip("?").split(":"):
            short = re.match(r"[A-Z*]+", part)[0]
            forms.append({short, part.upper()})
        end = "?" if header.endswith("?") else ""
        spelt |= {":".join(each) + end for each in itertools.product(*forms)}
    return spelt


SPELT = harmless_headers()


def polls(candidate):
    """Give what a profile says for asking; a person has to allow it for each instrument."""
    profile = candidate.profile
    return {profile.poll.message.strip().encode()} if profile and profile.poll else set()


def starts(message):
    """Tell which parts of a message may start something, whoever allowed it."""
    return [fault for fault in faults(message) if fault.endswith("may start something")]


def faults(message):
    """Tell what is wrong with a message; empty where it is harmless."""
    text = message.decode("ascii")
    found = []
    for part in filter(None, (each.strip().upper() for each in re.split(r"[;\r\n]", text))):
        header = part.removeprefix(":")
        fetch = re.fullmatch(r"FETC(H)?(:[A-Z0-9:]+)?\?", header)
        if header not in SPELT and not fetch:
            found.append(f"{part} is not on the list")
        if not header.endswith("?") and header != "*CLS":
            found.append(f"{part} is no query")
        if ENERGISING & set(re.split(r"[:? ]", header)):
            found.append(f"{part} may start something")
    return found


def variants():
    """Give every built-in driver and profile, and options that make the drivers ask more."""
    yield from _candidates()
    for options in (
        ScpiMeterOptions(several=True, measures_every_s=0.5),
        ScpiMeterOptions(event_query="STAT:OPER?", event_bit=4),
        ScpiMeterOptions(quantity="inductance", watch_s=0.5, interval_s=0.1),
        ScpiMeterOptions(identify=False, error_queue=False),
    ):
        sent = tuple(messages(options))
        yield Candidate("scpi-meter", "", None, sent, lambda options=options: make(options))


VARIANTS = list(variants())
NAMES = [f"{each.driver}:{each.profile_name or n}" for n, each in enumerate(VARIANTS)]


class Noise:
    """An instrument that answers nonsense, late, or not at all."""

    def __init__(self, seed):
        self._random = random.Random(seed)

    def received(self, data, now):
        answers = [
            b"",
            b"",
            b"1\n",
            b"#15\x3f\x80\x00\x00\x00",
            b'-410,"Query INTERRUPTED"\n',
            b"A MAKER,A METER,0,1\n",
            b"128\n",
            b"READ?\nINIT\n*TRG\n",
            self._random.randbytes(self._random.randrange(60)),
        ]
        return self._random.choice(answers)

    def spoken(self, now):
        return b"MEAS:VOLT?\n" if self._random.random() < 0.02 else b""

    def wake_at(self):
        return None


def run(candidate, bench):
    """Run a driver against an instrument for a while, and end it in good order."""
    link = bench.link()
    link.open()
    clock = bench.clock
    session = Session(
        candidate.make_driver(), link, Everything(), clock, threading.Event(), lambda _event: None
    )
    end = clock.monotonic() + SECONDS
    for _ in range(MOST_STEPS):
        if clock.monotonic() >= end:
            break
        session.step()
    session.close()


def instruments(bench_of):
    """Give every simulated instrument, and noise."""
    for kind in catalogue.KINDS:
        yield kind, bench_of(catalogue.make(kind, {}))
    for seed in range(8):
        yield f"noise {seed}", bench_of(Noise(seed))


def test_there_is_something_to_look_at():
    assert {each.driver for each in VARIANTS} >= {"scpi-meter", "scpi-lcr", "ascii-meter"}
    assert sum(len(each.messages) for each in VARIANTS) > 20


@pytest.mark.parametrize("candidate", VARIANTS, ids=NAMES)
def test_every_declared_message_is_harmless(candidate):
    harmless = {message.strip() for message in candidate.messages} - polls(candidate)
    assert {message: faults(message) for message in harmless if faults(message)} == {}
    assert [each for each in harmless if MessagePolicy().refused(each)] == []


@pytest.mark.parametrize("candidate", VARIANTS, ids=NAMES)
def test_what_a_profile_says_for_asking_starts_nothing_and_waits_for_a_person(candidate):
    """Such a message is of the maker's own making, so no list can know it: it is held back."""
    assert [starts(message) for message in polls(candidate) if starts(message)] == []
    assert all(MessagePolicy().refused(m) or not faults(m) for m in polls(candidate))


@pytest.mark.parametrize("candidate", VARIANTS, ids=NAMES)
def test_every_message_that_is_sent_is_harmless_and_declared(candidate, bench_of):
    declared = {message.strip() for message in candidate.messages}
    sent = set()
    for kind, bench in instruments(bench_of):
        run(candidate, bench)
        written = [message for message in bench.written if message.strip() not in polls(candidate)]
        assert {m: faults(m) for m in written if faults(m)} == {}, kind
        sent |= {message.strip() for message in bench.written}
    assert sent <= declared
    assert bool(sent) == bool(declared), "a driver that may ask was never heard asking"


def test_every_message_of_a_probe_is_harmless(bench_of):
    assert [faults(message) for message in MESSAGES] == [[]]
    asked = 0
    for kind, bench in instruments(bench_of):
        prober = Prober(bench.make_link, Everything(), bench.clock, VARIANTS)
        prober.probe({"kind": "serial", "port": "/dev/ttyUSB0"})
        assert set(bench.written) <= {b"*IDN?\n"}, kind
        asked += len(bench.written)
    assert asked


def test_no_driver_sends_anything_to_silence_but_what_it_declared(bench_of):
    class Silence:
        def received(self, data, now):
            return b""

        def spoken(self, now):
            return b""

        def wake_at(self):
            return None

    for candidate in VARIANTS:
        bench = bench_of(Silence())
        run(candidate, bench)
        declared = {message.strip() for message in candidate.messages}
        assert {m.strip() for m in bench.written} <= declared


@pytest.mark.parametrize(
    "message",
    [
        b"READ?\n",
        b"MEAS:RES?\n",
        b"INIT\n",
        b"*TRG\n",
        b":INITiate:IMMediate\n",
        b"FETC?;INIT\n",
        b"FETC?\nREAD?\n",
        b"CONF:VOLT\n",
        b"VOLT 500\n",
        b"OUTP ON\n",
        b"*RST\n",
        b"*TST?\n",
        b"SOUR:VOLT?\n",
        b"*IDN? \x3bREAD?",
        b"SYST:REM\n",
    ],
)
def test_the_scan_would_see_a_message_that_starts_something(message):
    assert faults(message)
    assert MessagePolicy().refused(message) is not None


@pytest.mark.parametrize("message", [b"FETC?\n", b":fetch:res?\n", b"*IDN?\n", b"SYST:ERR?\n"])
def test_the_scan_lets_harmless_messages_pass(message):
    assert faults(message) == []


def test_the_clock_of_the_scan_moves():
    # Else nothing would ever time out, and what is sent after a time-out would go unseen.
    clock = ManualClock()
    before = clock.monotonic()
    clock.wait(threading.Event(), 1.0)
    assert clock.monotonic() == before + 1.0
