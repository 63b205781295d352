"""What to write for a device so that it is found again: serial number, socket, or a warning."""

import pytest

from capture.discovery import Device, is_meant, write_as


def adapter(path="/dev/ttyUSB0", serial="A1", product=0x6001, kind="serial"):
    return Device(kind, path, 0x0403, product, serial)


def no_link(_path):
    return None


def socket_link(path):
    return f"/dev/serial/by-path/socket-of-{path.removeprefix('/dev/')}"


def test_a_serial_number_names_an_adapter_wherever_it_is_plugged_in():
    for path in ("/dev/ttyUSB0", "/dev/ttyUSB7"):
        device = adapter(path)
        name = write_as(device, [device], socket_link)
        assert (name.text, name.remark) == ("usb:0403:6001:A1", "")


def test_a_port_that_is_no_usb_device_goes_by_its_path():
    device = Device("serial", "/dev/ttyS0")
    assert write_as(device, [device], socket_link).text == "/dev/ttyS0"


def test_one_adapter_without_serial_number_goes_by_its_kind_and_the_catch_is_told():
    device = adapter(serial="")
    name = write_as(device, [device, adapter("/dev/ttyUSB1", "B", 0x6015)], socket_link)
    assert name.text == "usb:0403:6001"
    assert "no serial number" in name.remark
    assert "/dev/serial/by-path/socket-of-ttyUSB0" in name.remark


@pytest.mark.parametrize("serial", ["", "0001"])
def test_equal_or_missing_serial_numbers_are_told_apart_by_socket(serial):
    both = [adapter("/dev/ttyUSB0", serial), adapter("/dev/ttyUSB1", serial)]
    names = [write_as(each, both, socket_link) for each in both]
    assert [name.text for name in names] == [
        "/dev/serial/by-path/socket-of-ttyUSB0",
        "/dev/serial/by-path/socket-of-ttyUSB1",
    ]
    assert all("2 devices" in name.remark and "socket" in name.remark for name in names)


def test_an_adapter_without_serial_number_beside_one_that_has_one_is_not_given_by_kind_alone():
    # usb:0403:6001 would mean both.
    without, having = adapter("/dev/ttyUSB0", ""), adapter("/dev/ttyUSB1", "A1")
    assert write_as(without, [without, having], socket_link).text.startswith("/dev/serial/by-path")
    assert write_as(having, [without, having], socket_link).text == "usb:0403:6001:A1"


def test_without_a_link_for_the_socket_the_path_is_given_and_said_to_change():
    both = [adapter("/dev/ttyUSB0", "0001"), adapter("/dev/ttyUSB1", "0001")]
    name = write_as(both[0], both, no_link)
    assert name.text == "/dev/ttyUSB0"
    assert "may change" in name.remark


def test_serial_numbers_are_compared_without_regard_to_case():
    # resolve() does so, too: two that differ in case only would both be meant.
    both = [adapter("/dev/ttyUSB0", "ab"), adapter("/dev/ttyUSB1", "AB")]
    assert write_as(both[0], both, socket_link).text.startswith("/dev/serial/by-path")


@pytest.mark.parametrize(
    ("port", "meant"),
    [
        ("usb:0403:6001:A1", True),
        ("USB:0403:6001:a1", True),
        ("usb:0403:6001", True),
        ("usb:0403:6001:A1:0", True),
        ("usb:0403:6001:A", False),
        ("usb:0403:6001:B2", False),
        ("usb:0403:6015:A1", False),
        ("/dev/ttyUSB0", True),
        ("/dev/ttyUSB1", False),
    ],
)
def test_a_configured_port_means_a_device(port, meant):
    assert is_meant(port, adapter()) is meant


def test_a_link_means_the_device_it_points_at(tmp_path):
    target, link = tmp_path / "ttyUSB5", tmp_path / "by-path-link"
    target.touch()
    link.symlink_to(target)
    assert is_meant(str(link), Device("serial", str(target)))
