"""The simulated USB bus: plugs, permission, strings."""

import errno
import threading

import pytest
import usb.core
import usb.util
from usb_host import Host, bench

from simulators.scpi_resistance import ScpiResistanceMeter, ScpiResistanceSettings
from simulators.talk_only import TalkOnlyMeter, TalkOnlySettings
from simulators.usb import SimulatedBus, UsbPlug
from simulators.usb_time import MadeUpTime
from simulators.usbtmc import UsbtmcDevice


def test_talk_only_meter_on_usb():
    meter = TalkOnlyMeter(TalkOnlySettings(noise=0.0))
    host, _device, bus, plug = bench(instrument=meter)
    assert host.read() == b" 512.4 MOhm\r\n"
    assert bus.command(plug, "show OL") == "ok: shows 'OL'"
    assert host.read() == b"OL\r\n"


@pytest.mark.parametrize("opened", [False, True])
def test_unplug_and_plug(opened):
    host, _device, bus, plug = bench()
    if opened:
        host.ask("*OPC?")
    address = host.found.address
    assert bus.command(plug, "unplug") == "ok: unplugged"
    for action in (lambda: host.write(b"*IDN?"), host.transfer, lambda: host.control(7, length=24)):
        with pytest.raises(usb.core.USBError) as caught:
            action()
        assert (caught.value.errno, caught.value.backend_error_code) == (errno.ENODEV, -4)
    assert usb.core.find(backend=bus) is None
    bus.command(plug, "plug")
    with pytest.raises(usb.core.USBError):
        host.write(b"*IDN?")  # the old device stays gone
    found = usb.core.find(backend=bus)
    assert found.address != address
    assert Host(found).ask("*OPC?") == "1\n"


def test_unplug_wakes_a_waiting_read():
    """With the real clock: the read waits for a minute, the plug is pulled at once."""
    instrument = ScpiResistanceMeter(ScpiResistanceSettings())
    plug = UsbPlug(UsbtmcDevice(instrument))
    bus = SimulatedBus(plug)
    host = Host(usb.core.find(backend=bus))
    host.request()
    caught = []

    def read():
        try:
            host.transfer(wait=60_000)
        except usb.core.USBError as error:
            caught.append(error.errno)

    reader = threading.Thread(target=read)
    reader.start()
    bus.unplug(plug)
    reader.join(10)
    assert caught == [errno.ENODEV]


def test_permission_and_busy():
    host, _device, _bus, _plug = bench(plug={"forbidden": True})
    with pytest.raises(usb.core.USBError) as caught:
        host.write(b"*IDN?")
    assert caught.value.errno == errno.EACCES
    host, _device, _bus, _plug = bench(plug={"kernel_driver": True})
    with pytest.raises(usb.core.USBError) as caught:
        host.write(b"*IDN?")
    assert caught.value.errno == errno.EBUSY
    assert host.found.is_kernel_driver_active(0)
    host.found.detach_kernel_driver(0)
    assert host.ask("*OPC?") == "1\n"


def test_strings_may_be_missing():
    host, _device, _bus, _plug = bench(plug={"no_strings": True})
    with pytest.raises(ValueError, match="no langid"):
        _ = host.found.serial_number
    host, _device, _bus, _plug = bench(plug={"serial_number": None})
    assert host.found.serial_number is None


def test_two_devices_are_told_apart():
    plugs = [
        UsbPlug(
            UsbtmcDevice(ScpiResistanceMeter(ScpiResistanceSettings())),
            socket=socket,
            serial_number=f"SIM-{socket}",
        )
        for socket in (1, 2)
    ]
    bus = SimulatedBus(*plugs, clock=MadeUpTime())
    everything = usb.core.find(find_all=True, backend=bus)
    found = {each.serial_number: each.port_numbers for each in everything}
    assert found == {"SIM-1": (1,), "SIM-2": (2,)}
