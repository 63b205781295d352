"""A configuration's link sections, and the links made of them."""

import pytest
from pydantic import TypeAdapter, ValidationError

from capture import faults
from capture.config import InstrumentConfig, LinkSettings
from capture.faults import fault_lines
from capture.links import (
    KernelUsbtmcLink,
    Rfc2217Link,
    SerialLink,
    TcpLink,
    UnixLink,
    UsbtmcLink,
    make_link,
)

SECTIONS = [
    ({"kind": "serial", "port": "/dev/ttyUSB0"}, SerialLink, "/dev/ttyUSB0", False),
    ({"kind": "rfc2217", "host": "fan-bench"}, Rfc2217Link, "rfc2217://fan-bench:2217", False),
    ({"kind": "tcp", "host": "fan-bench"}, TcpLink, "fan-bench:5025", False),
    ({"kind": "unix", "path": "/run/meter"}, UnixLink, "/run/meter", False),
    ({"kind": "usbtmc", "device": "usb:1209:0001:A"}, UsbtmcLink, "usb:1209:0001:A", True),
    ({"kind": "usbtmc", "device": "/dev/usbtmc0"}, KernelUsbtmcLink, "/dev/usbtmc0", True),
]


@pytest.mark.parametrize(("section", "kind", "description", "messages"), SECTIONS)
def test_each_section_makes_its_link_which_is_not_opened(section, kind, description, messages):
    settings = TypeAdapter(LinkSettings).validate_python(section)
    link = make_link(settings)
    assert type(link) is kind
    assert link.description == description
    assert link.message_based is messages
    link.close()


def test_fault_lines_know_every_kind_of_link():
    """Else a key path shows the kind as if it were a key."""
    kinds = {section["kind"] for section, *_ in SECTIONS}
    assert kinds == faults._UNION_MEMBERS


@pytest.mark.parametrize(
    ("section", "line"),
    [
        (
            {"kind": "usbtmc", "device": "usb:12:1"},
            (
                "link.device: found 'usb:12:1', expected usb:VID:PID:SERIAL (four hexadecimal "
                "digits each for VID and PID) or a path like /dev/usbtmc0"
            ),
        ),
        (
            {"kind": "usbtmc", "device": "/dev/usbtmc0", "ren": "maybe"},
            "link.ren: found 'maybe', expected 'yes', 'no' or 'auto'",
        ),
        (
            {"kind": "rfc2217", "host": "a", "stop_bits": 3},
            "link.stop_bits: found 3.0, expected 1, 1.5 or 2",
        ),
        ({"kind": "unix"}, "link.path: not given, but required"),
    ],
)
def test_a_wrong_section_is_told_on_one_line_with_its_key(section, line):
    with pytest.raises(ValidationError) as caught:
        InstrumentConfig.model_validate({"driver": "scpi-meter", "link": section})
    assert fault_lines(caught.value) == [line]
