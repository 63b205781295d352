"""The built-in drivers keep the contract that every driver must keep."""

import tempfile
from pathlib import Path

from capture.driver import Driver, Status
from capture.driver.contract import DriverContract, Expected
from drivers.ascii_meter.driver import AsciiMeter, AsciiMeterOptions
from drivers.scpi_meter.driver import ScpiMeterOptions, make


class TestScpiMeter(DriverContract):
    value_query = b"FETC?\n"
    frames = (
        (b"+8.42130000E-01\n", (Expected("resistance", "0.842130000", "Ohm"),)),
        (b"12\n", (Expected("resistance", "12", "Ohm"),)),
        (b"-1.25\r\n", (Expected("resistance", "-1.25", "Ohm"),)),
        (b"+9.90000000E+37\n", (Expected("resistance", None, "Ohm", Status.ABOVE_RANGE),)),
        (b"-9.9E37\n", (Expected("resistance", None, "Ohm", Status.BELOW_RANGE),)),
        (b"9.91E+37\n", (Expected("resistance", None, "Ohm", Status.INVALID),)),
    )

    def make_driver(self) -> Driver:
        return make(ScpiMeterOptions())

    def answer(self, message: bytes) -> bytes:
        return {
            b"*IDN?\n": b"A MAKER,A METER,0,1.0\n",
            b"*ESR?\n": b"128\n",
            b"SYST:ERR?\n": b'0,"No error"\n',
        }[message]


class TestScpiMeterInMilliohm(TestScpiMeter):
    frames = ((b"842.1\n", (Expected("resistance", "0.8421", "Ohm"),)),)

    def make_driver(self) -> Driver:
        return make(ScpiMeterOptions(unit="mOhm"))


class TestScpiMeterWithoutIdentity(TestScpiMeter):
    def make_driver(self) -> Driver:
        return make(ScpiMeterOptions(identify=False, error_queue=False, watch_s=0))


class TestInsulationLines(DriverContract):
    frames = (
        (b"   512.4 MOhm\r\n", (Expected("insulation_resistance", "512400000", "Ohm"),)),
        (
            b">5.50 GOhm\r\n",
            (Expected("insulation_resistance", None, "Ohm", Status.ABOVE_RANGE),),
        ),
        (b"----\r\n", (Expected("insulation_resistance", None, "Ohm", Status.INVALID),)),
        (
            b"   3.1 MOhm LIVE!\r\n",
            (Expected("insulation_resistance", "3100000", "Ohm", Status.LIVE_VOLTAGE),),
        ),
        (b"   3.1 mohm\r\n", ()),
        (b"   3.1 MOhm WHAT\r\n", ()),
    )

    def make_driver(self) -> Driver:
        return AsciiMeter(AsciiMeterOptions(profile="insulation-lines"))


POLLED = """
schema_version = 1
name = "polled"
summary = "A polled meter with a decimal comma"
driver = "ascii-meter"
[framing]
terminator = "\\r"
decimal = "comma"
[poll]
message = "D\\r"
[[lines]]
pattern = '(?P<function>[RL]) *(?P<value>[0-9,]+|OL) *(?P<unit>[A-Za-z]+)?'
[lines.functions]
R = { quantity = "resistance", unit = "Ohm" }
L = { quantity = "inductance", unit = "H" }
[lines.units]
MH = "mH"
"""


class TestPolledAsciiMeter(DriverContract):
    value_query = b"D\r"
    frame_end = b"\r"
    frames = (
        (b"R 0,842 Ohm\r", (Expected("resistance", "0.842", "Ohm"),)),
        (b"L 12,43 MH\r", (Expected("inductance", "0.01243", "H"),)),
        (b"R OL\r", (Expected("resistance", None, "Ohm", Status.ABOVE_RANGE),)),
        (b"L 1,5\r", (Expected("inductance", "1.5", "H"),)),
    )

    def make_driver(self) -> Driver:
        path = Path(tempfile.mkdtemp()) / "polled.toml"
        path.write_text(POLLED)
        return AsciiMeter(AsciiMeterOptions(profile=str(path)))
