"""The LCR bridge: what FETCh? holds, and conversions by their textbook forms."""

import math

import pytest

from simulators.scpi_lcr import FUNCTIONS, ScpiLcrMeter, ScpiLcrSettings

RS = 0.4123 + 0.4119
LS = 0.0312 + 0.0311
OMEGA = 2 * math.pi * 1000.0
Q = OMEGA * LS / RS


def bridge(**changes):
    made = ScpiLcrMeter(ScpiLcrSettings(**{"noise": 0.0, "digits": 9, "pair": "U-V", **changes}))
    made.spoken(0.0)
    return made


def ask(device, text, now):
    return device.received(text.encode() + b"\n", now).decode()


def fetch(device, now):
    return [float(part) for part in ask(device, "FETC?", now).split(",")]


@pytest.mark.parametrize(
    ("function", "primary", "secondary"),
    [
        # Series to parallel: Lp = Ls (1 + 1/Q^2), Rp = Rs (1 + Q^2), D = 1/Q; textbook.
        ("LSQ", LS, Q),
        ("LSD", LS, 1 / Q),
        ("LSRS", LS, RS),
        ("LPQ", LS * (1 + 1 / Q**2), Q),
        ("LPD", LS * (1 + 1 / Q**2), 1 / Q),
        ("LPRP", LS * (1 + 1 / Q**2), RS * (1 + Q**2)),
        ("CSD", -1 / (OMEGA**2 * LS), 1 / Q),
        ("CSRS", -1 / (OMEGA**2 * LS), RS),
        ("CPD", -1 / (OMEGA**2 * LS * (1 + 1 / Q**2)), 1 / Q),
        ("CPRP", -1 / (OMEGA**2 * LS * (1 + 1 / Q**2)), RS * (1 + Q**2)),
        ("ZTD", math.hypot(RS, OMEGA * LS), math.degrees(math.atan2(OMEGA * LS, RS))),
        ("ZTR", math.hypot(RS, OMEGA * LS), math.atan2(OMEGA * LS, RS)),
        ("RX", RS, OMEGA * LS),
    ],
)
def test_functions(function, primary, secondary):
    values = fetch(bridge(function=function), 2.0)
    assert values == pytest.approx([primary, secondary, 0], rel=1e-7)


def test_every_function_is_tested_above():
    assert len(FUNCTIONS) == 13


def test_answer_forms():
    """IEEE 488.2 §8.7: numbers as NR3, status as NR1."""
    device = bridge(digits=6, bins=True, nominal=LS)
    ask(device, "FUNC:IMP LSQ", 0.0)
    primary, secondary, status, sorted_to = ask(device, "FETC?", 2.0).strip().split(",")
    assert primary == "+6.23000E-02"
    assert secondary.startswith("+4.74")
    assert (status, sorted_to) == ("0", "1")


def test_front_panel_changes_what_the_numbers_mean():
    device = bridge()
    assert ask(device, "FUNC:IMP?;:FREQ?;:VOLT?", 1.0) == ("LSQ;+1.00000E+03;+1.00000E+00\n")
    assert device.command("function rx", 1.0) == "ok: function RX"
    assert device.command("frequency 120", 1.0) == "ok: frequency 120 Hz"
    assert device.command("level 0.5", 1.0) == "ok: level 0.5 V"
    assert ask(device, "FUNC:IMP?;:FREQ?;:VOLT?", 1.0) == "RX;+1.20000E+02;+5.00000E-01\n"
    assert fetch(device, 2.0)[1] == pytest.approx(2 * math.pi * 120 * LS)


def test_change_makes_old_data_stale():
    device = bridge()
    fetch(device, 1.0)
    device.command("frequency 120", 1.01)
    assert ask(device, "FETC?", 1.02) == ""
    assert ask(device, "SYST:ERR?", 1.02).startswith("-230,")


def test_remote_settings():
    device = bridge()
    ask(device, "FUNC:IMP:TYPE CPD;:FREQ:CW 1.2 KHZ;:VOLT:LEV 500 MV", 1.0)
    assert ask(device, "FUNC:IMP?;:FREQ?;:VOLT?", 1.0) == "CPD;+1.20000E+03;+5.00000E-01\n"
    for text, code in (("FUNC:IMP DANCE", -224), ("FREQ 1 MHZ", -222), ("FUNC:IMP 3", -104)):
        ask(device, text, 1.0)
        assert ask(device, "SYST:ERR?", 1.0).startswith(f"{code},")


@pytest.mark.parametrize(("command", "status"), [("lift", 3), ("status 2", 2), ("pair U-W", 1)])
def test_bad_status_has_no_numbers(command, status):
    device = bridge(bins=True)
    device.command(command, 1.1)
    at = 1.25 if command.startswith("pair") else 3.0
    assert fetch(device, at) == [9.9e37, 9.9e37, status, 0]


def test_open_pair_has_no_contact():
    assert fetch(bridge(connection="open", pair="U1-V1"), 2.0)[2] == 3


@pytest.mark.parametrize(
    "wrong", [{"frequency": 1.0}, {"level": 99.0}, {"rate": 0.0}, {"pair": "U-U"}]
)
def test_wrong_settings(wrong):
    with pytest.raises(ValueError, match=r"\w"):
        bridge(**wrong)
