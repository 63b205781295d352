"""A simulator of the demonstration that dies leaves nobody else's terminal behind its link."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from capture.demo.children import DemoError, SimulatedInstrument
from capture.links.ports import port_fault


@pytest.fixture
def instrument(tmp_path):
    made = SimulatedInstrument("scpi-resistance", tmp_path / "ohm.port")
    yield made
    made.stop()


@pytest.fixture
def new_terminals():
    """Open pseudo-terminals and give their names: the lowest free number goes first."""
    opened = []

    def open_(count):
        found = []
        for _ in range(count):
            opened.extend(os.openpty())
            found.append(os.ttyname(opened[-1]))
        return found

    yield open_
    for each in opened:
        os.close(each)


def test_the_number_of_a_line_whose_simulator_died_is_nobody_elses(instrument, new_terminals):
    line = str(instrument.port.readlink())
    instrument._child.process.kill()
    instrument._child.process.wait()
    assert instrument.port.is_symlink(), "what is killed tidies nothing up"
    assert line not in new_terminals(40)
    assert "no such port" in port_fault(str(instrument.port))


@pytest.mark.parametrize("killed", [True, False])
def test_no_link_is_left(tmp_path, killed):
    instrument = SimulatedInstrument("scpi-resistance", tmp_path / "ohm.port")
    if killed:
        instrument._child.process.kill()
    instrument.stop()
    assert list(tmp_path.iterdir()) == []


def test_a_link_that_leads_elsewhere_by_now_is_left(tmp_path):
    instrument = SimulatedInstrument("scpi-resistance", tmp_path / "ohm.port")
    instrument._child.process.kill()
    instrument._child.process.wait()
    instrument.port.unlink()
    instrument.port.symlink_to("/dev/null")
    instrument.stop()
    assert instrument.port.readlink() == Path("/dev/null")


def test_who_keeps_the_line_of_its_simulator_open_does_not_hold_the_port(tmp_path):
    """Asked by another program, as `benchtally check` and `doctor` are."""
    keeps = (
        "import sys; from pathlib import Path\n"
        "from capture.demo.children import SimulatedInstrument\n"
        "made = SimulatedInstrument('scpi-resistance', Path(sys.argv[1]))\n"
        "print('kept', flush=True); sys.stdin.read(); made.stop()\n"
    )
    port = tmp_path / "ohm.port"
    with subprocess.Popen(
        [sys.executable, "-P", "-c", keeps, str(port)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as demonstration:
        assert demonstration.stdout.readline() == "kept\n"
        assert port_fault(str(port)) is None
        rival = os.open(port, os.O_RDWR | os.O_NOCTTY)
        assert "another instrument of this program" in port_fault(str(port))
        os.close(rival)
        demonstration.stdin.close()
    assert demonstration.returncode == 0


def test_a_simulator_that_does_not_start_is_said_in_one_line(tmp_path):
    (tmp_path / "ohm.port").write_text("a file")
    with pytest.raises(DemoError, match="did not start") as caught:
        SimulatedInstrument("scpi-resistance", tmp_path / "ohm.port")
    assert "\n" not in str(caught.value)
