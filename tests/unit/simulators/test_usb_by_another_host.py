"""An independent USBTMC host reads the simulated devices, so that ours is not their only judge.

python-usbtmc 0.8 (MIT) from the package registry. It reads the USB488 capabilities from the wrong
byte of GET_CAPABILITIES and leaves the drain read out of an abort, so neither is asked of it.
"""

import pytest
import usb.core
import usbtmc

from simulators.scpi_lcr import ScpiLcrMeter, ScpiLcrSettings
from simulators.scpi_resistance import ScpiResistanceMeter, ScpiResistanceSettings
from simulators.usb import SimulatedBus, UsbPlug
from simulators.usb_time import MadeUpTime
from simulators.usbtmc import UsbtmcDevice

IDENTITY = "BENCHTALLY,SIMULATED RESISTANCE METER,SIM-0001,1.0"


@pytest.fixture
def host():
    """Open simulated instruments with that host; everything is released afterwards."""
    opened = []

    def open_one(instrument):
        bus = SimulatedBus(UsbPlug(UsbtmcDevice(instrument)), clock=MadeUpTime())
        found = usb.core.find(backend=bus)
        instrument_host = usbtmc.Instrument(found)
        instrument_host.timeout = 20
        opened.append(instrument_host)
        return instrument_host

    yield open_one
    for each in opened:
        each.close()


def test_it_reads_the_identity_and_a_value(host):
    meter = host(ScpiResistanceMeter(ScpiResistanceSettings(pair="U-V")))
    assert meter.ask("*IDN?").strip() == IDENTITY
    assert float(meter.ask("READ?")) == pytest.approx(0.8242, rel=1e-3)


def test_it_reads_several_values_in_one_answer(host):
    bridge = host(ScpiLcrMeter(ScpiLcrSettings(pair="U-V", bins=True)))
    primary, secondary, status, bin_ = bridge.ask("READ?").split(",")
    assert float(primary) == pytest.approx(0.0623, rel=1e-2)
    assert float(secondary) > 1
    assert int(status) == 0
    assert int(bin_) in (0, 1, 2, 3)


def test_it_reads_a_block_longer_than_one_packet(host):
    meter = host(ScpiResistanceMeter(ScpiResistanceSettings(pair="U-V", rate=50)))
    meter.write("FORM REAL,64;:SAMP:COUN 100;:INIT:CONT OFF")
    data = meter.ask_raw(b"READ?\n")
    assert data[:5] == b"#3800"
    assert len(data) >= 805


def test_it_reads_the_status_byte(host):
    meter = host(ScpiResistanceMeter(ScpiResistanceSettings()))
    meter.write("NO:SUCH:HEADER")
    assert meter.read_stb() & 4, "an error is in the queue"
