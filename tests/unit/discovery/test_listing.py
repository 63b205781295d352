"""Listing what is plugged in, from lists that the test decides."""

from types import SimpleNamespace

import pytest
import usb.core

from capture.discovery import Listing, configured_paths, serial_devices, usb_devices
from capture.discovery.listing import by_path
from simulators import catalogue
from simulators.usb import SimulatedBus, UsbPlug
from simulators.usbtmc import UsbtmcDevice


def comport(device, vid=0x0403, pid=0x6001, serial="A1", location="1-4.2:1.0"):
    return SimpleNamespace(
        device=device,
        vid=vid,
        pid=pid,
        serial_number=serial,
        location=location,
        description="Serial adapter",
    )


def plug(**more):
    return UsbPlug(UsbtmcDevice(catalogue.make("scpi-resistance", {})), **more)


def test_serial_ports_come_sorted_with_their_identity():
    found = serial_devices(lambda: [comport("/dev/ttyUSB1", serial="B"), comport("/dev/ttyUSB0")])
    assert [(each.path, each.identity) for each in found] == [
        ("/dev/ttyUSB0", "usb:0403:6001:A1"),
        ("/dev/ttyUSB1", "usb:0403:6001:B"),
    ]
    assert found[0].location == "1-4.2:1.0"


@pytest.mark.parametrize("serial", [None, "", "A\x1b[2J", "A\n", " padded "])
def test_a_serial_number_that_cannot_be_written_down_counts_as_none(serial):
    (found,) = serial_devices(lambda: [comport("/dev/ttyUSB0", serial=serial)])
    assert found.serial == ""
    assert found.identity == "usb:0403:6001"


def test_a_port_that_is_no_usb_device_has_no_identity():
    (found,) = serial_devices(lambda: [comport("/dev/ttyS0", None, None, None, None)])
    assert found.identity == found.location == ""


def test_usb_test_and_measurement_devices_are_listed_with_their_serial_number():
    (found,) = usb_devices(SimulatedBus(plug(serial_number="SIM-7", socket=3)))
    assert found.kind == "usbtmc"
    assert found.identity == "usb:1209:0001:SIM-7"
    assert found.location == "1-3"


def test_a_device_that_may_not_be_opened_is_listed_without_its_names():
    (found,) = usb_devices(SimulatedBus(plug(forbidden=True)))
    assert found.identity == "usb:1209:0001"


def test_a_device_is_asked_for_its_names_once_only():
    bus = SimulatedBus(plug(serial_number="SIM-7"))
    before = usb_devices(bus)

    def ask(*_arguments):
        raise AssertionError("a known device was asked again")

    bus.ctrl_transfer = ask
    assert usb_devices(bus, before) == before


def test_a_device_that_was_out_and_in_again_is_another_stay():
    device = plug()
    bus = SimulatedBus(device)
    before = usb_devices(bus)
    bus.unplug(device)
    assert usb_devices(bus, before) == []
    bus.plug(device)
    after = usb_devices(bus, before)
    assert after != before
    assert after[0].identity == before[0].identity


@pytest.mark.parametrize(("said", "told"), [("n/a", ""), (None, ""), ("Meter", "Meter")])
def test_a_port_that_says_nothing_of_itself_has_no_description(said, told):
    port = comport("/dev/ttyS0")
    port.description = said
    assert serial_devices(lambda: [port])[0].description == told


def test_without_libusb_serial_ports_are_listed_all_the_same(monkeypatch):
    def find(**_arguments):
        raise usb.core.NoBackendError("No backend available")

    monkeypatch.setattr(usb.core, "find", find)
    listing = Listing(comports=lambda: [comport("/dev/ttyUSB0")])
    assert [each.path for each in listing()] == ["/dev/ttyUSB0"]
    assert listing.without_usb


def test_a_configured_path_that_no_list_shows_is_watched(tmp_path):
    node, link, missing = tmp_path / "pts5", tmp_path / "meter", tmp_path / "missing"
    node.touch()
    link.symlink_to(node)
    paths = [str(link), str(missing), "usb:0403:6001:A1", str(link)]
    assert [each.path for each in configured_paths(paths, [])] == [str(link)]


def test_a_configured_path_that_is_listed_already_is_not_listed_twice(tmp_path):
    node, link = tmp_path / "ttyUSB0", tmp_path / "by-id"
    node.touch()
    link.symlink_to(node)
    listing = Listing([str(link)], comports=lambda: [comport(str(node))], backend=SimulatedBus())
    assert [each.kind for each in listing()] == ["serial"]


def test_a_link_that_points_elsewhere_now_is_another_stay(tmp_path):
    first, second, link = tmp_path / "a", tmp_path / "b", tmp_path / "meter"
    first.touch()
    second.touch()
    link.symlink_to(first)
    before = configured_paths([str(link)], [])
    link.unlink()
    link.symlink_to(second)
    assert configured_paths([str(link)], []) != before


def test_the_link_of_a_socket_is_found(tmp_path):
    node, folder = tmp_path / "ttyUSB0", tmp_path / "by-path"
    node.touch()
    folder.mkdir()
    (folder / "pci-0000:00:14.0-usb-0:4.2:1.0-port0").symlink_to(node)
    assert by_path(str(node), folder).endswith("pci-0000:00:14.0-usb-0:4.2:1.0-port0")
    assert by_path(str(tmp_path / "other"), folder) is None
    assert by_path(str(node), tmp_path / "missing") is None


def counting(folder):
    """Give a listing of a folder of device files, and how often the system was asked for ports."""
    asked = []

    def comports():
        asked.append(1)
        return [comport(str(each)) for each in sorted(folder.iterdir())]

    return Listing(comports=comports, backend=SimulatedBus(), nodes=folder), asked


def test_ports_are_not_listed_anew_where_no_device_file_came_or_went(tmp_path):
    listing, asked = counting(tmp_path)
    (tmp_path / "ttyUSB0").touch()
    for _ in range(100):
        assert [each.path for each in listing()] == [str(tmp_path / "ttyUSB0")]
    assert len(asked) < 20, "now and then all the same, and after a change for a while"


def test_a_device_file_that_came_or_went_or_is_another_is_noticed_at_the_next_look(tmp_path):
    listing, asked = counting(tmp_path)
    for _ in range(50):
        listing()
    for change in (
        (tmp_path / "ttyUSB0").touch,
        (tmp_path / "ttyACM0").touch,
        # Out and back between two looks: the same name on another node.
        lambda: (tmp_path / "new").touch() or (tmp_path / "new").rename(tmp_path / "ttyUSB0"),
        (tmp_path / "ttyACM0").unlink,
    ):
        change()
        before = len(asked)
        assert [each.path for each in listing()] == [
            str(each) for each in sorted(tmp_path.iterdir())
        ]
        assert len(asked) == before + 1
        listing()
        assert len(asked) == before + 2, "what the system says of it may be complete only now"
        for _ in range(10):
            listing()


def test_where_a_system_has_no_device_files_every_look_lists_in_full(tmp_path):
    asked = []
    listing = Listing(
        comports=lambda: asked.append(1) or [], backend=SimulatedBus(), nodes=tmp_path / "none"
    )
    for _ in range(20):
        listing()
    assert len(asked) == 20


def test_a_path_that_is_looked_at_again_and_again_is_followed_anew_when_it_leads_elsewhere(
    tmp_path,
):
    first, second, link = tmp_path / "a", tmp_path / "b", tmp_path / "meter"
    first.touch()
    second.touch()
    link.symlink_to(first)
    listing = Listing([str(link)], comports=list, backend=SimulatedBus(), nodes=None)
    assert [each.location for each in listing()] == [str(first)]
    link.unlink()
    link.symlink_to(second)
    assert [each.location for each in listing()] == [str(second)]
    link.unlink()
    assert listing() == []
    link.symlink_to(first)
    assert [each.location for each in listing()] == [str(first)]
