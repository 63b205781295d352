"""Instruments on the physical winding: what a healthy and what a faulty one shows."""

import dataclasses
import math

import pytest

from simulators import catalogue
from simulators.hand import Hand
from simulators.physical import PhysicalSpecimen, read_fault, read_winding
from simulators.settings import SettingsError
from simulators.specimen import UnknownTerminalError
from simulators.winding_faults import NAMES

PAIRS = ("U-V", "V-W", "W-U")


def specimen(*faults, **winding):
    return PhysicalSpecimen(read_winding(winding, list(faults)))


def ohms(on, pair):
    meter = catalogue.make("scpi-resistance", {"noise": "0", "digits": "9"}, on)
    meter.command(f"pair {pair}", 0.0)
    meter.spoken(1.0)
    return float(meter.received(b"FETC?\n", 100.0))


def inductance(on, pair, hertz=120):
    bridge = catalogue.make(
        "scpi-lcr", {"noise": "0", "pair": pair, "function": "LSRS", "frequency": str(hertz)}, on
    )
    bridge.spoken(0.0)
    values = bridge.received(b"FETC?\n", 9.0).decode().split(",")
    assert values[2].strip() == "0"
    return float(values[0])


def pulse(on, pairs, law="period"):
    tester = catalogue.make("pulse-tester", {"noise": "0", "law": law}, on)
    tester.command(f"pairs {pairs}", 0.0)
    tester.command("pulse", 0.0)
    return tester.command("display", 0.0)


@pytest.mark.parametrize(
    ("connection", "pair", "expected"),
    [
        ("star", "U-V", 0.8),
        ("star", "V-N", 0.4),
        ("delta", "W-U", 0.4 * 2 / 3),
        ("open", "W1-W2", 0.4),
        ("open", "U1-V2", 9.9e37),
    ],
)
def test_resistance_of_a_healthy_winding(connection, pair, expected):
    """Two phases in series, one, one beside two: by hand, at 20 degrees."""
    on = specimen(ohms="0.4", connection=connection)
    assert ohms(on, pair) == pytest.approx(expected, rel=1e-6)


def test_resistance_follows_the_temperature():
    """Copper: R ratio is (234.5 + 75) / (234.5 + 20), IEEE 112's constant; from memory."""
    on = specimen(ohms="0.4")
    hand = Hand()
    on.attach(hand)
    assert hand.obey("temperature 75", 0.0).startswith("ok: ")
    assert ohms(on, "U-V") == pytest.approx(0.8 * 309.5 / 254.5, rel=1e-6)


def test_inductance_has_the_mutual_part():
    """Star, M = -L m/2: L(U-V) = 2 (L + L m/2) = 2 L (1 + m/2); m = 0.6 gives 2.6 L."""
    assert inductance(specimen(henries="0.01"), "U-V") == pytest.approx(0.026, rel=1e-6)


def test_shorted_turns_show_in_inductance_and_pulse_but_not_in_resistance():
    fault = "shorted-turns:phase=U,turns=5"
    healthy = specimen()
    faulty = specimen(fault)
    for pair in PAIRS:
        assert ohms(faulty, pair) == pytest.approx(ohms(healthy, pair), rel=0.05)
    assert inductance(faulty, "U-V") < 0.99 * inductance(healthy, "U-V")
    assert "+0.0 %" in pulse(healthy, "U-V V-W")
    shown = pulse(faulty, "U-V V-W")
    assert float(shown.split()[5]) > 0.5


@pytest.mark.parametrize("law", ["period", "time-constant", "rise"])
def test_pulse_laws_are_finite_numbers(law):
    times = specimen().pulse_time(("U", "V"), ("V", "W"), law)
    assert times[0] == pytest.approx(times[1], rel=1e-3)
    assert 0 < times[0] < 1


def test_open_phase_and_high_joint():
    assert ohms(specimen("open-phase:phase=U"), "U-V") == 9.9e37
    on = specimen("high-joint:phase=v,ohms=0.1", ohms="0.4")
    assert [ohms(on, pair) for pair in PAIRS] == pytest.approx([0.9, 0.9, 0.8], rel=1e-6)


def test_damp_insulation_is_low_and_flat():
    def shown(*faults):
        tester = catalogue.make(
            "insulation-tester", {"noise": "0", "duration": "600"}, specimen(*faults)
        )
        tester.command("press", 0.0)
        return tester.spoken(600.0).decode().splitlines()

    healthy, damp = shown(), shown("damp-insulation:factor=100")
    assert len(healthy) == len(damp) == 600
    assert "MOhm" in damp[59]
    on = specimen("damp-insulation:factor=100")
    index = on.insulation_ohms(600) / on.insulation_ohms(60)
    assert 1 <= index < specimen().insulation_ohms(600) / specimen().insulation_ohms(60)


def test_hand_breaks_and_mends_the_winding():
    on = specimen(ohms="0.4")
    hand = Hand()
    on.attach(hand)
    before = on.pair_resistance(("U", "V"))
    assert hand.obey("winding-fault open-phase:phase=U", 0.0) == "ok: 1 fault(s) in the winding"
    assert math.isinf(on.pair_resistance(("U", "V")))
    assert hand.obey("winding-fault none", 0.0).startswith("ok: ")
    assert on.pair_resistance(("U", "V")) == before
    assert hand.obey("rotor 30", 0.0) == "ok: the rotor stands at 30 electrical degrees"
    assert hand.obey("rotor out", 0.0) == "ok: the rotor is out"
    for wrong in ("winding-fault dance", "temperature -300", "rotor north"):
        assert hand.obey(wrong, 0.0).startswith("no: ")


@pytest.mark.parametrize("name", list(NAMES))
def test_every_fault_says_what_it_needs(name):
    given = {"phase": "U", "turns": "2", "share": "0.1", "ohms": "1", "first": "U", "second": "V"}
    wanted = read_fault_fields(name)
    text = name + ":" + ",".join(f"{key}={given[key]}" for key in wanted)
    assert read_fault(text)
    if wanted:
        with pytest.raises(SettingsError, match=wanted[0]):
            read_fault(name)


def read_fault_fields(name):
    kind = NAMES[name]
    return [each.name for each in dataclasses.fields(kind) if each.default is dataclasses.MISSING]


@pytest.mark.parametrize(
    ("winding", "faults"),
    [
        ({"colour": "red"}, []),
        ({"engine.x": "1"}, []),
        ({"ohms": "much"}, []),
        ({"ohms": "inf"}, []),
        ({"connection": "ring"}, []),
        ({"rotor.colour": "1"}, []),
        ({"faults": "x"}, []),
        ({}, ["dance"]),
        ({}, ["open-phase:phase=X"]),
        ({}, ["shorted-turns:phase=U,turns=2,group=99"]),
    ],
)
def test_wrong_windings_are_refused(winding, faults):
    with pytest.raises(SettingsError, match=r"\w"):
        read_winding(winding, faults)


def test_unknown_terminals_and_instruments_without_leads():
    on = specimen()
    with pytest.raises(UnknownTerminalError):
        on.pair_resistance(("U", "X"))
    with pytest.raises(SettingsError, match="measures no winding"):
        catalogue.make("talk-only", {}, on)


def test_served_with_a_faulty_winding(simulate):
    simulator = simulate(
        "scpi-resistance", "--winding", "ohms=0.4", "--winding-fault", "open-phase:phase=W"
    )  # fmt: skip
    assert "winding-fault" in simulator.hand("help")
    assert simulator.hand("temperature 40").startswith("ok: ")
    assert simulator.hand("winding-fault none") == "ok: the winding is sound"
