"""Every built-in profile of the ascii-meter keeps the contract that every driver must keep.

The frames are written by hand from the sample lines in the profiles' comments, and checksums are
those that the comments state; nothing is computed with the code under test.
"""

from capture.driver import Driver, Status, built_in_profiles
from capture.driver.contract import DriverContract, Expected
from drivers.ascii_meter.driver import PACKAGE, AsciiMeterOptions, make

OHM = "Ohm"


class ProfileContract:
    profile = ""

    def make_driver(self) -> Driver:
        return make(AsciiMeterOptions(profile=self.profile))


class TestResistanceLines(ProfileContract, DriverContract):
    profile = "resistance-lines"
    frames = (
        (b"R 842.1 mOhm\r\n", (Expected("resistance", "0.8421", OHM),)),
        (b"R -1.20 kOhm\r\n", (Expected("resistance", "-1200", OHM),)),
        (b"R OL\r\n", (Expected("resistance", None, OHM, Status.ABOVE_RANGE),)),
        (b"R ----\r\n", (Expected("resistance", None, OHM, Status.INVALID),)),
        (b"R 842.1\r\n", ()),
    )


class TestResistanceLinesComma(ProfileContract, DriverContract):
    profile = "resistance-lines-comma"
    frames = (
        (b"R 842,1 mOhm\r\n", (Expected("resistance", "0.8421", OHM),)),
        (b"R OL\r\n", (Expected("resistance", None, OHM, Status.ABOVE_RANGE),)),
        (b"R 842.1 mOhm\r\n", ()),
    )


class TestInsulationLines(ProfileContract, DriverContract):
    profile = "insulation-lines"
    frames = (
        (b"   512.4 MOhm\r\n", (Expected("insulation_resistance", "512400000", OHM),)),
        (
            b">5.50 GOhm\r\n",
            (Expected("insulation_resistance", None, OHM, Status.ABOVE_RANGE),),
        ),
        (
            b">5.50 GOhm LIVE!\r\n",
            (Expected("insulation_resistance", None, OHM, Status.LIVE_VOLTAGE),),
        ),
    )


class TestInsulationLinesCrc(ProfileContract, DriverContract):
    profile = "insulation-lines-crc"
    frames = (
        (b" 512.4 MOhm*B0E5\r\n", (Expected("insulation_resistance", "512400000", OHM),)),
        (
            b">5.50 GOhm*B2D3\r\n",
            (Expected("insulation_resistance", None, OHM, Status.ABOVE_RANGE),),
        ),
        (b" 512.5 MOhm*B0E5\r\n", ()),
        (b" 512.4 MOhm\r\n", ()),
    )


class TestInsulationSeries(ProfileContract, DriverContract):
    profile = "insulation-series"
    frames = (
        (
            b"00:00:01 316 V 55.33 MOhm\r\n",
            (
                Expected("insulation_resistance", "55330000", OHM),
                Expected("test_voltage", "316", "V"),
            ),
        ),
        (
            b"00:00:07 500 V >200.0 GOhm\r\n",
            (
                Expected("insulation_resistance", None, OHM, Status.ABOVE_RANGE),
                Expected("test_voltage", "500", "V"),
            ),
        ),
        (
            b"00:00:12 10 V BREAKDOWN\r\n",
            (
                Expected("insulation_resistance", None, OHM, Status.BREAKDOWN),
                Expected("test_voltage", "10", "V"),
            ),
        ),
        (b"LIVE 34 V\r\n", (Expected("voltage", "34", "V", Status.LIVE_VOLTAGE),)),
        (b"00:00:61 500 V 55.33 MOhm\r\n", ()),
    )


class TestStoredResults(ProfileContract, DriverContract):
    profile = "stored-results"
    frames = (
        (
            b"0001,2026-03-14 08:00:00,U-V,0.8242 Ohm\r\n",
            (Expected("resistance", "0.8242", OHM),),
        ),
        (
            b"0002,2026-03-14 08:01:00,V-W,OL\r\n",
            (Expected("resistance", None, OHM, Status.ABOVE_RANGE),),
        ),
        (b"BEGIN 2\r\n", ()),
    )


class TestStoredResultsPolled(TestStoredResults):
    profile = "stored-results-polled"
    value_query = b"DUMP?\n"


class TestResistanceColumns(ProfileContract, DriverContract):
    profile = "resistance-columns"
    frames = (
        (b"  842.13 mOhm   R3  STAB\r\n", (Expected("resistance", "0.84213", OHM),)),
        (
            b"   1.2041 Ohm   R4  MOVE\r\n",
            (Expected("resistance", "1.2041", OHM, Status.UNSETTLED),),
        ),
        (
            b"      OL  Ohm   R4  STAB\r\n",
            (Expected("resistance", None, OHM, Status.ABOVE_RANGE),),
        ),
        # A lost blank shifts all columns: nothing is read.
        (b" 842.13 mOhm   R3  STAB\r\n", ()),
    )


class TestResistanceBlockCheck(ProfileContract, DriverContract):
    profile = "resistance-block-check"
    frame_end = b"\x03X"
    frames = (
        (b"\x02R  842.13 mOhm\x03D", (Expected("resistance", "0.84213", OHM),)),
        (
            b"\x02R  OL     mOhm\x03U",
            (Expected("resistance", None, OHM, Status.ABOVE_RANGE),),
        ),
        (b"\x02R  842.13 mOhm\x03E", ()),
    )


class TestMultimeterLines(ProfileContract, DriverContract):
    profile = "multimeter-lines"
    frames = (
        (b"DCV  -12.043 V\r\n", (Expected("voltage", "-12.043", "V"),)),
        (b"OHM    OL   kOhm\r\n", (Expected("resistance", None, OHM, Status.ABOVE_RANGE),)),
        (b"CAP   4.712 uF\r\n", (Expected("capacitance", "0.000004712", "F"),)),
        (b"FRQ  50.002 Hz  HOLD\r\n", (Expected("frequency", "50.002", "Hz", Status.STALE),)),
        (b"DCV  -12.043\r\n", ()),
        (b"OHM  12.04 V\r\n", ()),
    )


class TestClimateLines(ProfileContract, DriverContract):
    profile = "climate-lines"
    frames = (
        (
            b"T= 23.4 C  RH= 41.5 %\r\n",
            (Expected("temperature", "23.4", "Cel"), Expected("relative_humidity", "41.5", "%")),
        ),
        (
            b"T= -3.4 C  RH= --- %\r\n",
            (
                Expected("temperature", "-3.4", "Cel"),
                Expected("relative_humidity", None, "%", Status.INVALID),
            ),
        ),
    )


class TestThermometerLines(ProfileContract, DriverContract):
    profile = "thermometer-lines"
    frames = (
        (b"T  21.4 C\r\n", (Expected("temperature", "21.4", "Cel"),)),
        (b"T  -3.4 C BATT\r\n", (Expected("temperature", "-3.4", "Cel"),)),
        (b"T  21.4 C HOLD\r\n", (Expected("temperature", "21.4", "Cel", Status.STALE),)),
        (b"T  38.9 C MAX BATT\r\n", (Expected("temperature", "38.9", "Cel", Status.STALE),)),
        (b"T  ---- C\r\n", (Expected("temperature", None, "Cel", Status.INVALID),)),
        (b"T  70.5 F\r\n", ()),  # set to Fahrenheit: no value, rather than another one
        (b"T  21.4\r\n", ()),
        (b"T  214 C\r\n", ()),  # a lost point
    )


class TestResistanceCurrentLines(ProfileContract, DriverContract):
    profile = "resistance-current-lines"
    frames = (
        (
            b"R=  842.13 mOhm  I=  9.998 A  STABLE\r\n",
            (Expected("resistance", "0.84213", OHM),),
        ),
        (
            b"R=  901.55 mOhm  I=  9.310 A  RISING\r\n",
            (Expected("resistance", "0.90155", OHM, Status.UNSETTLED),),
        ),
        (
            b"R=      OL  Ohm  I=  0.100 A  STABLE\r\n",
            (Expected("resistance", None, OHM, Status.ABOVE_RANGE),),
        ),
        (
            b"R=     ---  Ohm  I=  0.000 A  OPEN\r\n",
            (Expected("resistance", None, OHM, Status.INVALID),),
        ),
        # Through an open path nothing was measured, whatever number stands there.
        (
            b"R=  842.13 mOhm  I=  0.000 A  OPEN\r\n",
            (Expected("resistance", None, OHM, Status.INVALID),),
        ),
        (b"R=  842.13 mOhm  I=  9.998 A\r\n", ()),
        (b"R=  842.13 mOhm  I=  9.998 A  FALLING\r\n", ()),
        (b"R=  842.13 MOhm  I=  9.998 A  STABLE\r\n", ()),
    )


class TestInsulationResults(ProfileContract, DriverContract):
    profile = "insulation-results"
    frames = (
        (
            b"0012;2026-03-14 08:00:00;512 V;671,3 MOhm;762,7 nA;60 s\r\n",
            (
                Expected("insulation_resistance", "671300000", OHM),
                Expected("test_voltage", "512", "V"),
                Expected("leakage_current", "0.0000007627", "A"),
            ),
        ),
        (
            b"0013;2026-03-14 08:09:00;1025 V;>20,00 GOhm;<0,10 nA;60 s\r\n",
            (
                Expected("insulation_resistance", None, OHM, Status.ABOVE_RANGE),
                Expected("test_voltage", "1025", "V"),
                Expected("leakage_current", None, "A", Status.BELOW_RANGE),
            ),
        ),
        (
            b"0014;2026-03-14 08:15:00;87 V;BREAKDOWN;---;4 s\r\n",
            (
                Expected("insulation_resistance", None, OHM, Status.BREAKDOWN),
                Expected("test_voltage", "87", "V"),
                Expected("leakage_current", None, "A", Status.INVALID),
            ),
        ),
        (b"0015;2026-03-14 08:16:00;512 V;671.3 MOhm;762,7 nA;60 s\r\n", ()),  # a point
        (b"0015;2026-03-14 08:16:00;512 V;671,3;762,7 nA;60 s\r\n", ()),
        (b"No;Date;U;R;I;t\r\n", ()),
    )


class TestPackedOhmmeter(ProfileContract, DriverContract):
    profile = "packed-ohmmeter"
    frame_end = b""
    frames = (
        # 0x00064A8C = 412 300; the last byte is the exclusive or of the first seven.
        (bytes.fromhex("00 01 00 06 4A 8C FD 3C"), (Expected("resistance", "0.4123", OHM),)),
        (
            bytes.fromhex("01 02 7F FF FF FF FD 7E"),
            (Expected("resistance", None, OHM, Status.ABOVE_RANGE),),
        ),
        (
            bytes.fromhex("82 06 FF FF FF FF FA 7E"),
            (Expected("inductance", "-0.000001", "H", Status.UNSETTLED),),
        ),
        (bytes.fromhex("04 01 00 06 4A 8C FD 38"), ()),  # a bit that the profile does not list
        (bytes.fromhex("00 09 00 06 4A 8C FD 34"), ()),  # a unit that it does not list
    )

    def read(self, exchange, frame, cuts=()):
        """A frame, and the silence behind it."""
        events = super().read(exchange, frame, cuts)
        exchange.now += 1.0
        assert list(exchange.driver.outgoing(exchange.now)) == []
        return events + exchange.events()


def test_every_built_in_profile_has_its_contract():
    """A profile that is added without a contract is noticed here."""
    held = {each.profile for each in ProfileContract.__subclasses__()}
    held |= {TestStoredResultsPolled.profile}
    assert held == set(built_in_profiles(PACKAGE))
