"""Finding and opening a USBTMC device: who has it, who may use it, what is missing."""

import pytest
import usb.core
from usbtmc_answers import ask

from capture.errors import LinkError, LinkOpenError


def fails_to_open(end):
    link = end.make_link()
    with pytest.raises(LinkOpenError) as caught:
        link.open()
    text = str(caught.value)
    assert "\n" not in text
    assert isinstance(caught.value, LinkError)
    link.close()
    return text


@pytest.mark.parametrize(
    "device_",
    [
        "usb:1209:0001:SIM-0001",
        "usb:1209:0001",
        "USB:1209:0001:sim-0001",
        "usb:1209:0001:SIM-0001:0",
        "usb:1209:0001::0",
    ],
)
def test_a_device_is_found_by_its_identity(device, whole, device_):
    _, link = device(settings={"device": device_})
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"
    assert link.description == device_


@pytest.mark.parametrize(
    ("device_", "says"),
    [
        ("usb:1209:0002", "no such device is plugged in"),
        ("usb:1209:0001:OTHER", "none with this serial number"),
        ("usb:1209:0001:SIM-0001:3", "no interface 3 of the USBTMC class"),
    ],
)
def test_a_device_that_is_not_there_is_named_with_what_is_missing(far_ends, device_, says):
    assert says in fails_to_open(far_ends.UsbEnd(settings={"device": device_}))


def test_two_equal_devices_are_not_guessed_between(far_ends):
    end = far_ends.UsbEnd(settings={"device": "usb:1209:0001"})
    other = far_ends.UsbEnd(plug={"serial_number": "SIM-0002", "socket": 5})
    end.bus.plug(other.plugged)
    assert "2 devices answer to this identity; add the serial number" in fails_to_open(end)
    end.settings = end.settings.model_copy(update={"device": "usb:1209:0001:SIM-0002"})
    link = end.make_link()
    link.open()
    link.write(b"FETC?\n")
    assert link.read(100, 0.25) == (b"+1.0E+00\n", True)
    assert (end.instrument.count, other.instrument.count) == (0, 1)
    link.close()


@pytest.mark.parametrize("plug", [{"forbidden": True}, {"no_strings": True}],
                         ids=["access denied", "no language identifiers"])  # fmt: skip
def test_without_permission_the_udev_rule_is_given(far_ends, plug):
    says = fails_to_open(far_ends.UsbEnd(plug=plug))
    assert "no permission" in says
    assert (
        'SUBSYSTEM=="usb", ATTR{idVendor}=="1209", ATTR{idProduct}=="0001", '
        'MODE="0660", GROUP="plugdev", TAG+="uaccess"' in says
    )


def test_another_program_on_the_device_is_named_as_the_cause(far_ends):
    assert "in use by another program" in fails_to_open(far_ends.UsbEnd(plug={"busy": True}))


def test_the_kernels_driver_is_taken_off_and_put_back(far_ends):
    end = far_ends.UsbEnd(plug={"kernel_driver": True})
    link = end.make_link()
    link.open()
    assert not end.plugged.kernel_driver
    link.close()
    assert end.plugged.kernel_driver


def test_a_kernel_driver_that_stays_is_worked_round_by_its_node(far_ends):
    end = far_ends.UsbEnd(plug={"kernel_driver": True})

    def refuse(_handle, _interface):
        raise usb.core.USBError("Resource busy", -6, 16)

    end.bus.detach_kernel_driver = refuse
    assert 'write device = "/dev/usbtmcN"' in fails_to_open(end)


def test_no_usb_library_is_said_with_the_package_to_install(far_ends, monkeypatch):
    def missing(**_arguments):
        raise usb.core.NoBackendError("No backend available")

    monkeypatch.setattr(usb.core, "find", missing)
    assert "install libusb-1.0-0" in fails_to_open(far_ends.UsbEnd())


def test_a_device_of_another_class_is_no_usbtmc_device(far_ends, monkeypatch):
    end = far_ends.UsbEnd()
    describe = end.bus.get_interface_descriptor

    def other(*where):
        descriptor = describe(*where)
        descriptor.bInterfaceClass = 0x0A
        return descriptor

    monkeypatch.setattr(end.bus, "get_interface_descriptor", other)
    assert "has no USBTMC class" in fails_to_open(end)


def test_a_device_whose_control_pipe_is_dead_is_not_opened(far_ends, monkeypatch):
    end = far_ends.UsbEnd()
    control = end.bus.ctrl_transfer

    def silent(handle, kind, *rest):
        if kind in (0xA1, 0xA2):
            raise usb.core.USBTimeoutError("Operation timed out", -7, 110)
        return control(handle, kind, *rest)

    monkeypatch.setattr(end.bus, "ctrl_transfer", silent)
    assert "does not answer" in fails_to_open(end)
    monkeypatch.undo()
    link = end.make_link()
    link.open()  # nothing was left claimed
    link.close()
