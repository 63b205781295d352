"""The SCPI resistance meter on its built-in winding."""

import math
import struct

import pytest

from simulators.scpi_resistance import ScpiResistanceMeter, ScpiResistanceSettings

PERIOD = 0.2
STAR = 0.4123 + 0.4119  # phases U and V in series


def meter(**changes):
    made = ScpiResistanceMeter(ScpiResistanceSettings(**{"noise": 0.0, **changes}))
    made.spoken(0.0)
    return made


def ask(device, text, now):
    return device.received(text.encode() + b"\n", now).decode()


def error(device, now):
    return int(ask(device, "SYST:ERR?", now).partition(",")[0])


def test_identity_has_four_fields():
    fields = ask(meter(), "*IDN?", 0.0).strip().split(",")
    assert fields == ["BENCHTALLY", "SIMULATED RESISTANCE METER", "SIM-0001", "1.0"]


def test_fetch_before_the_first_measurement_is_stale():
    """SCPI-99 vol. 2 §3 (FETCh?): no valid data gives -230."""
    device = meter()
    assert ask(device, "FETC?", 0.1) == ""
    assert error(device, 0.1) == -230


def test_lifted_leads_are_infinite():
    """SCPI-99 vol. 1 §7.2.1: 9.9E37 stands for infinity."""
    device = meter()
    assert ask(device, "FETC?", 1.0) == "+9.90000E+37\n"


def test_free_run_shows_the_pair_once_settled():
    device = meter()
    assert device.command("pair u-v", 1.0) == "ok: leads on U-V"
    value = float(ask(device, "FETC?", 30.0))
    assert value == pytest.approx(STAR, rel=1e-5)
    device.command("lift", 31.0)
    assert float(ask(device, "FETC?", 32.0)) == 9.9e37


def test_reading_falls_to_its_value_with_l_over_r():
    """After n time constants L/(Rs+R) the excess is (Rs+R) x/(1-x), x = exp(-n)."""
    device = meter(rate=100.0, digits=9)
    device.command("pair U-V", 1.0)
    tau = (0.0312 + 0.0311) / (STAR + 0.05)
    for count in (2, 4, 8):
        finished = round((1.0 + count * tau) / 0.01) * 0.01
        left = math.exp(-(finished - 1.0) / tau)
        expected = STAR + (STAR + 0.05) * left / (1 - left)
        assert float(ask(device, "FETC?", finished)) == pytest.approx(expected, rel=1e-6)


def test_fetch_gives_the_same_measurement_until_the_next_is_complete():
    device = meter(noise=1e-3, pair="U-V")
    first = ask(device, "FETC?", 1.05)
    assert ask(device, "FETC?", 1.15) == first
    assert ask(device, "FETC?", 1.25) != first


def test_new_data_bit_tells_fresh_from_fetched():
    device = meter(pair="U-V")
    assert int(ask(device, "STAT:OPER?", 1.0)) & 256
    assert not int(ask(device, "STAT:OPER?", 1.1)) & 256
    assert int(ask(device, "STAT:OPER?", 1.3)) & 256


def test_measurement_across_a_lead_change_is_invalid_not_wrong():
    device = meter(pair="U-V")
    device.command("pair V-W", 1.1)
    assert float(ask(device, "FETC?", 1.2)) == 9.9e37


def test_read_is_fresh():
    """SCPI-99 vol. 2 §3: READ? is ABORt, INITiate, FETCh?."""
    device = meter(pair="U-V")
    assert ask(device, "READ?", 1.1) == ""
    assert device.wake_at() == pytest.approx(1.1 + PERIOD)
    assert float(device.spoken(1.1 + PERIOD)) == pytest.approx(STAR, rel=1e-5)


def test_read_in_free_run_may_be_refused():
    device = meter(pair="U-V", init_ignored=True)
    assert ask(device, "READ?", 1.0) == ""
    assert error(device, 1.0) == -213


def test_initiate_then_fetch_waits():
    device = meter(pair="U-V")
    assert ask(device, "INIT", 1.0) == ""
    assert error(device, 1.0) == -213  # free run
    ask(device, "*RST", 1.0)
    assert ask(device, "INIT:CONT?", 1.0) == "0\n"
    assert ask(device, "FETC?", 5.0) == ""
    assert error(device, 5.0) == -230  # *RST ended the free run
    assert ask(device, "INIT;FETC?", 6.0) == ""
    assert float(device.spoken(6.0 + PERIOD)) == pytest.approx(STAR, rel=1e-5)
    assert ask(device, "INIT;INIT", 7.0) == ""
    assert error(device, 7.0) == -213


def test_configure_triggers_nothing():
    device = meter(pair="U-V")
    ask(device, "CONF:FRES 10", 1.0)
    assert ask(device, "FETC?", 9.0) == ""
    assert error(device, 9.0) == -230
    assert ask(device, "CONF?", 9.0) == '"FRES +1.00000E+01,+1.00000E-06"\n'
    assert ask(device, "MEAS:RES?", 10.0) == ""
    assert float(device.spoken(10.0 + PERIOD)) == pytest.approx(STAR, rel=1e-5)


def test_overrange_is_infinite():
    device = meter(pair="U-V")
    ask(device, "FRES:RANG 0.1 OHM", 1.0)
    assert ask(device, "FRES:RANG?;RANG:AUTO?", 1.0) == "+1.00000E-01;0\n"
    assert float(ask(device, "FETC?", 2.0)) == 9.9e37
    ask(device, "SENS:FRES:RANG:AUTO ON", 3.0)
    assert float(ask(device, "FETC?", 4.0)) == pytest.approx(STAR, rel=1e-5)


def test_several_samples_are_joined_by_commas():
    """IEEE 488.2 §8.4.2: response data elements are joined by commas."""
    device = meter(pair="U-V", noise=1e-3, digits=9)
    ask(device, "*RST;SAMP:COUN 4;:INIT", 1.0)
    assert ask(device, "FETC?", 1.0) == ""
    values = device.spoken(1.0 + 4 * PERIOD).decode().strip().split(",")
    assert len(values) == len(set(values)) == 4


@pytest.mark.parametrize(("bits", "border", "code"), [(64, "NORM", ">d"), (32, "SWAP", "<f")])
def test_real_format_is_a_definite_block(bits, border, code):
    """SCPI-99 vol. 2 §9 (FORMat): REAL is a definite block, NORMal has the first byte highest."""
    device = meter(pair="U-V")
    ask(device, f"FORM REAL,{bits};FORM:BORD {border}", 0.5)
    answer = device.received(b"FETC?\n", 30.0)
    size = bits // 8
    assert answer[:3] == f"#1{size}".encode()
    assert answer[-1:] == b"\n"
    assert struct.unpack(code, answer[3:-1])[0] == pytest.approx(STAR, rel=1e-6)
    assert ask(device, "FORM?;:FORM:BORD?", 31.0) == f"REAL,{bits};{border}\n"
    ask(device, "FORM ASC,4", 32.0)
    assert ask(device, "FETC?", 33.0) == "+8.242E-01\n"


def test_reverse_direction_shows_the_offset():
    device = meter(pair="W-U", offset=0.001)
    forward = float(ask(device, "FETC?", 30.0))
    device.command("pair U-W", 31.0)
    backward = float(ask(device, "FETC?", 60.0))
    assert forward - backward == pytest.approx(0.002, rel=1e-3)


@pytest.mark.parametrize(
    ("connection", "pair", "ohms"),
    [
        ("star", "U-N", 2.0),
        ("star", "V-W", 10.0),
        ("delta", "U-V", 2 * 10 / 12),
        ("delta", "W-U", 6 * 6 / 12),
        ("open", "V1-V2", 4.0),
        ("open", "U1-V1", 9.9e37),
    ],
)
def test_connections(connection, pair, ohms):
    """Series and parallel by hand: phases 2, 4 and 6 Ohm."""
    device = meter(phases="2/4/6", connection=connection, pair=pair, digits=9)
    assert float(ask(device, "FETC?", 60.0)) == pytest.approx(ohms, rel=1e-6)


def test_open_phase_in_delta_leaves_the_way_around():
    device = meter(phases="2/4/6", connection="delta", pair="U-V")
    assert device.command("phase U open", 1.0).startswith("ok: ")
    assert float(ask(device, "FETC?", 60.0)) == pytest.approx(10.0)
    device.command("pair V-W", 61.0)
    assert float(ask(device, "FETC?", 99.0)) == pytest.approx(4.0)


def test_wrong_pairs_are_refused():
    device = meter()
    for text in ("U", "U-U", "U-X", "U-V-W"):
        assert device.command(f"pair {text}", 0.0).startswith("no: ")
