"""A hundred thousand random bytes into every driver; tests/bench/noise.py gives a million each."""

import importlib.util
from decimal import Decimal
from pathlib import Path

import pytest

from capture.driver import Indication, Status

FILE = Path(__file__).parents[2] / "bench" / "noise.py"
SPEC = importlib.util.spec_from_file_location("noise", FILE)
noise = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(noise)


@pytest.mark.parametrize("name", list(noise.drivers()))
def test_random_bytes_give_no_exception_and_no_wrong_scale(name):
    """Whatever is read is what a display could have shown, exactly."""
    result = noise.run(name, noise.drivers()[name], 100_000)
    assert result.taken >= 100_000
    assert result.wrong == []
    assert result.events["Malformed"] > 0


def test_a_wrong_scale_would_be_noticed():
    """The check itself can fail: milli read as mega."""
    wrong = Indication("resistance", "Ohm", Decimal("842.1E6"), "842.1", "mOhm", Status.OK, b"x")
    assert "was read as" in noise.fault_of(wrong)
