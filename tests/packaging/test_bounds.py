"""Every requirement has a lowest release, so that `make lower-bounds` can try them all."""

import sys
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.version import Version

# Behind what is installed: a measurement there is called as a package of others is.
sys.path.append(str(Path(__file__).resolve().parents[1] / "bench"))

from lower_bounds import lowest, requirements

REPOSITORY = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((REPOSITORY / "pyproject.toml").read_text("utf-8"))["project"]


def test_a_bound_becomes_a_pin_and_its_extra_stays():
    assert lowest("paho-mqtt>=2.1,<3") == "paho-mqtt==2.1"
    assert lowest("psycopg[binary]>=3.2.1") == "psycopg[binary]==3.2.1"
    with pytest.raises(ValueError, match="numpy<3: has no lower bound"):
        lowest("numpy<3")


def test_everything_that_runs_is_pinned_and_the_tools_are_not():
    pins, tools = requirements(PROJECT)
    pinned = {Requirement(pin).name: Requirement(pin) for pin in pins}
    assert {"pydantic", "amqtt", "pyarrow", "psycopg", "fastapi", "segno"} <= set(pinned)
    assert len(pinned) == len(pins), "one name with two lower bounds"
    assert "pytest" not in pinned
    assert any(line.startswith("pytest>=") for line in tools)
    for line in PROJECT["dependencies"]:
        (pin,) = pinned[Requirement(line).name].specifier
        assert Version(pin.version) in Requirement(line).specifier
