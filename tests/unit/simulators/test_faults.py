"""Damage on the line: what each fault does, and that a seed repeats it."""

import pytest

from simulators.counter import CounterSettings, CounterStream
from simulators.faults import KINDS, Damaged, fault
from simulators.scpi_resistance import ScpiResistanceMeter, ScpiResistanceSettings
from simulators.settings import SettingsError

LINES = b"".join(b"R %d mOhm\r\n" % n for n in range(1, 201))


def drain(stage, now):
    """Return (time, bytes) until nothing is held any more."""
    found = []
    while (due := stage.wake_at()) is not None:
        now = max(now, due)
        found.append((now, stage.damage(b"", now)))
    return found


def test_split_keeps_every_byte_in_order_but_cuts_lines():
    stage = fault("split:pieces=3,gap=0.02", 1)
    first = stage.damage(b"0123456789\n", 0.0)
    later = drain(stage, 0.0)
    assert first + b"".join(data for _, data in later) == b"0123456789\n"
    assert len(later) == 2
    assert [time for time, _ in later] == pytest.approx([0.02, 0.04])


def test_delay():
    stage = fault("delay:seconds=0.5", 1)
    assert stage.damage(b"late", 1.0) == b""
    assert stage.damage(b"", 1.4) == b""
    assert drain(stage, 1.4) == [(1.5, b"late")]


def test_jitter_never_changes_the_order():
    stage = fault("delay:seconds=0,jitter=1", 7)
    out = b"".join(stage.damage(bytes([n]), n * 0.01) for n in range(100))
    out += b"".join(data for _, data in drain(stage, 1.0))
    assert out == bytes(range(100))


def test_drip_is_one_byte_at_a_time():
    stage = fault("drip:gap=0.1", 1)
    assert stage.damage(b"abc", 0.0) == b"a"
    assert drain(stage, 0.0) == [(0.1, b"b"), (0.2, b"c")]


def test_garble_flips_single_bits_at_its_rate():
    data = bytes(100_000)
    out = fault("garble:p=0.01", 3).damage(data, 0.0)
    changed = [byte for byte in out if byte]
    assert len(out) == len(data)
    assert all(byte.bit_count() == 1 for byte in changed)
    # Binomial: 1000 expected, standard deviation 31; eight of them leave no room for chance.
    assert 750 < len(changed) < 1250


@pytest.mark.parametrize("what", ["byte", "line"])
def test_drop(what):
    out = fault(f"drop:p=0.2,what={what}", 3).damage(LINES, 0.0)
    assert 0.5 * len(LINES) < len(out) < 0.95 * len(LINES)
    whole = all(line in LINES.splitlines() for line in out.splitlines())
    assert whole == (what == "line")


def test_duplicate_repeats_whole_lines():
    out = fault("duplicate:p=0.5", 3).damage(LINES, 0.0).splitlines()
    assert sorted(set(out)) == sorted(LINES.splitlines())
    assert 250 < len(out) < 350


def test_flood_never_ends():
    stage = fault("flood:every=0.01,size=100", 1)
    assert len(stage.damage(b"", 0.0)) == 100
    assert stage.damage(b"x", 0.005) == b"x"
    assert len(stage.damage(b"", stage.wake_at())) == 100


def test_baud_noise_is_no_text():
    out = fault("baud", 1).damage(LINES, 0.0)
    assert b"mOhm" not in out
    assert len(LINES) / 2 < len(out) < 2 * len(LINES)


def test_echo_comes_before_the_answer():
    meter = ScpiResistanceMeter(ScpiResistanceSettings())
    assert Damaged(meter, ["echo"]).received(b"*OPC?\n", 0.0) == b"*OPC?\n1\n"


def test_vanish_in_the_middle_and_back():
    stream = CounterStream(CounterSettings(rate=1000.0))
    damaged = Damaged(stream, ["vanish:after=25,back=2"])
    damaged.spoken(0.0)
    assert len(damaged.spoken(0.1)) == 25
    assert damaged.gone
    assert damaged.received(b"?", 0.2) == b""
    assert damaged.spoken(1.0) == b""
    damaged.spoken(2.1)
    assert not damaged.gone


@pytest.mark.parametrize("name", list(KINDS))
def test_same_seed_same_damage(name):
    def run(seed):
        stage = fault(name, seed)
        out = [(0.0, stage.damage(LINES, 0.0)), (0.001, stage.damage(LINES, 0.001))]
        for _ in range(20):
            if stage.wake_at() is None:
                break
            now = max(0.001, stage.wake_at())
            out.append((now, stage.damage(b"", now)))
        return out

    assert run(5) == run(5)
    if name not in {"delay", "drip", "echo", "vanish"}:  # these have no chance in them
        assert run(5) != run(6)


def test_faults_by_hand():
    meter = ScpiResistanceMeter(ScpiResistanceSettings())
    damaged = Damaged(meter)
    assert damaged.command("fault drop:p=1", 0.0) == "ok: 1 fault(s) in the line"
    assert damaged.received(b"*OPC?\n", 0.0) == b""
    assert damaged.command("fault none", 0.0) == "ok: no faults"
    assert damaged.received(b"*OPC?\n", 0.0) == b"1\n"
    assert damaged.command("fault dance", 0.0).startswith("no: unknown fault 'dance'")
    assert damaged.command("pair U-V", 0.0) == "ok: leads on U-V"
    assert "freeze" in damaged.command("help", 0.0)


def test_freeze_is_silence_with_the_line_still_there():
    meter = ScpiResistanceMeter(ScpiResistanceSettings())
    damaged = Damaged(meter)
    damaged.command("freeze", 0.0)
    assert damaged.received(b"*OPC?\n", 0.0) == b""
    damaged.command("thaw", 0.0)
    assert damaged.received(b"*OPC?\n", 0.0) == b"1\n"


def test_device_clear_takes_held_bytes_away():
    damaged = Damaged(ScpiResistanceMeter(ScpiResistanceSettings()), ["delay:seconds=1"])
    damaged.received(b"*OPC?\n", 0.0)
    damaged.clear_bus()
    assert damaged.spoken(5.0) == b""


@pytest.mark.parametrize("text", ["dance", "split:pieces", "drop:p=x", "drop:q=1", "drop:what=bit"])
def test_wrong_faults_are_named(text):
    with pytest.raises(SettingsError):
        fault(text, 1)
