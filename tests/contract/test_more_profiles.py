"""The contract for meters of other kinds: other terminators, encodings, queries and flags."""

import tempfile
from pathlib import Path

import pytest

from capture.driver import Driver, Status
from capture.driver.contract import DriverContract, Expected
from drivers.ascii_meter.driver import AsciiMeter, AsciiMeterOptions
from drivers.scpi_meter.driver import ScpiMeterOptions, make


class FromText(DriverContract):
    """A meter whose profile stands in the test."""

    __test__ = False

    profile = ""

    @pytest.fixture(autouse=True)
    def _write_profile(self):
        with tempfile.TemporaryDirectory() as folder:
            self.path = Path(folder) / "profile.toml"
            self.path.write_text(self.profile, "utf-8")
            yield

    def make_driver(self) -> Driver:
        return AsciiMeter(AsciiMeterOptions(profile=str(self.path)))


class TestCommaAndSpecialEnd(FromText):
    """A decimal comma, a code page of old instruments, and a terminator of two characters."""

    __test__ = True
    frame_end = b"\x03\r"
    profile = """
schema_version = 1
name = "comma"
summary = "Old tester"
driver = "ascii-meter"
[framing]
terminator = "\\u0003\\r"
encoding = "cp437"
decimal = "comma"
[[lines]]
pattern = '(?P<value>[<>]?[0-9,]+|-+) *(?P<unit>[kMG]?Ω)?'
quantity = "insulation_resistance"
unit = "Ω"
"""
    frames = (
        (
            "512,4 MΩ".encode("cp437") + b"\x03\r",
            (Expected("insulation_resistance", "512400000", "Ohm"),),
        ),
        (
            ">5,50 GΩ".encode("cp437") + b"\x03\r",
            (Expected("insulation_resistance", None, "Ohm", Status.ABOVE_RANGE),),
        ),
        (b"1,234\x03\r", (Expected("insulation_resistance", "1.234", "Ohm"),)),
        (b"---\x03\r", (Expected("insulation_resistance", None, "Ohm", Status.INVALID),)),
        (b"1.234\x03\r", ()),
    )


class TestFlagsInUtf8(FromText):
    """Functions and flags, in UTF-8, with both micro signs."""

    __test__ = True
    profile = """
schema_version = 1
name = "flags"
summary = "Pulse tester"
driver = "ascii-meter"
[framing]
encoding = "utf-8"
[conditions]
law = "time-constant"
[[lines]]
pattern = '(?P<function>[TLR]) (?P<value>[0-9.]+|OL) ?(?P<unit>[A-Za-zµμΩ]+)?( (?P<flags>[A-Z ]+))?'
[lines.functions]
T = { quantity = "pulse_time", unit = "s" }
L = { quantity = "inductance", unit = "H" }
R = { quantity = "resistance", unit = "Ohm" }
[lines.flags]
HOLD = "stale"
STOP = "aborted"
"""
    frames = (
        ("T 87.42 \N{MICRO SIGN}s\n".encode(), (Expected("pulse_time", "0.00008742", "s"),)),
        (
            "T 87.42 \N{GREEK SMALL LETTER MU}s\r\n".encode(),
            (Expected("pulse_time", "0.00008742", "s"),),
        ),
        (b"L 12.43 mH HOLD\n", (Expected("inductance", "0.01243", "H", Status.STALE),)),
        (b"R 842.1 mOhm STOP\n", (Expected("resistance", "0.8421", "Ohm", Status.ABORTED),)),
        (b"R OL\n", (Expected("resistance", None, "Ohm", Status.ABOVE_RANGE),)),
        (b"L 12.43 mH WHAT\n", ()),
        (b"T 12.43 MS\n", ()),
    )


class TestPolledByOneCharacter(FromText):
    """A meter that is asked by a single control character."""

    __test__ = True
    value_query = b"\x05"
    profile = """
schema_version = 1
name = "enquiry"
summary = "Asked by ENQ"
driver = "ascii-meter"
[poll]
message = "\\u0005"
interval_s = 0.5
timeout_s = 1.0
[[lines]]
pattern = '(?P<value>[-+0-9.]+)(?P<unit>[kM]?Ohm)'
quantity = "resistance"
"""
    frames = (
        (b"+000.842Ohm\r", (Expected("resistance", "0.842", "Ohm"),)),
        (b"-1.5kOhm\r\n", (Expected("resistance", "-1500", "Ohm"),)),
    )


class TestScpiInsulation(DriverContract):
    """Insulation resistance from a meter with a query and a slow answer of its own."""

    value_query = b"FETC:RES?\n"
    frames = (
        (b"5.124E+08\n", (Expected("insulation_resistance", "512400000", "Ohm"),)),
        (
            b"+9.9000000E+037\r\n",
            (Expected("insulation_resistance", None, "Ohm", Status.ABOVE_RANGE),),
        ),
        (b"9.910E37\n", (Expected("insulation_resistance", None, "Ohm", Status.INVALID),)),
    )

    def make_driver(self) -> Driver:
        return make(
            ScpiMeterOptions(
                quantity="insulation_resistance", query="FETC:RES?", timeout_s=4.0, interval_s=0.0
            )
        )

    def answer(self, message: bytes) -> bytes:
        return {
            b"*IDN?\n": b"A MAKER,TESTER,,\n",
            b"SYST:ERR?\n": b'+0,"No error"\n',
            b"*ESR?\n": b"0\n",
        }[message]


class TestScpiWithSetup(TestScpiInsulation):
    """Messages that are sent first, and an error queue that is not read."""

    def make_driver(self) -> Driver:
        return make(
            ScpiMeterOptions(
                quantity="insulation_resistance",
                query="FETC:RES?",
                setup=("DISP:TEXT 'x'", "SENS:FUNC?"),
                error_queue=False,
            )
        )

    def answer(self, message: bytes) -> bytes:
        if message == b"SENS:FUNC?\n":
            return b'"RES"\n'
        return super().answer(message)
