"""HOST:PORT as a person writes it."""

import pytest

from capture.links.address import host_and_port


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("meter:5025", ("meter", 5025)),
        ("192.0.2.7:1", ("192.0.2.7", 1)),
        ("meter_1.plant.example:5025", ("meter_1.plant.example", 5025)),
        ("[2001:db8::7]:5025", ("2001:db8::7", 5025)),
        ("[::ffff:192.0.2.7]:5025", ("::ffff:192.0.2.7", 5025)),
        ("[fe80::1%eth0]:5025", ("fe80::1%eth0", 5025)),
    ],
)
def test_a_host_and_a_port_are_read(text, read):
    assert host_and_port(text) == read


@pytest.mark.parametrize(
    "text",
    [
        "",
        "meter",
        ":5025",
        "meter:",
        "meter:²",
        "meter:50250000",
        "me ter:5025",
        "2001:db8::7:5025",
        "[meter]:5025",
        "tcp://meter:5025",
        "me@ter:5025",
        "meter:5025\n",
    ],
)
def test_anything_else_is_neither(text):
    assert host_and_port(text) is None
