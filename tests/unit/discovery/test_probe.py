"""Probing: listens first, asks one harmless query, and proposes what can read the instrument."""

import tomllib
from pathlib import Path

import pytest

from capture.cli.ports import _candidates
from capture.config import Config
from capture.discovery import Prober, Proposal, link_table, proposals
from capture.discovery.candidates import identity_in
from capture.discovery.device import Device
from capture.discovery.probe import MESSAGES, RATES
from capture.errors import InputError, LineRefused, LinkError, PolicyError
from capture.runtime import MessagePolicy

SERIAL = {"kind": "serial", "port": "/dev/ttyUSB0"}
IDENTIFIED = """
schema_version = 1
name = "own-meter"
summary = "A meter of our own"
driver = "scpi-meter"
[identity]
maker = "BENCHTALLY.*|SIM.*"
model = ".*"
[scpi]
query = "FETC?"
values = [{ quantity = "resistance", unit = "Ohm" }]
"""


def probe(bench, candidates, link=SERIAL, policy=None):
    prober = Prober(bench.make_link, policy or MessagePolicy(), bench.clock, candidates)
    return prober.probe(link)


def proposed(finding, candidates, port="usb:0403:6001:A1"):
    return [(each.driver, each.profile) for each in proposals(finding, candidates, port)]


@pytest.mark.parametrize("rate", RATES)
def test_an_instrument_that_answers_is_found_at_its_rate(bench, candidates, rate):
    meter = bench("scpi-resistance", baud=rate)
    finding = probe(meter, candidates)
    assert finding.identity.count(",") == 3
    assert finding.link == {**SERIAL, "baud": rate}
    assert ("scpi-meter", "") in proposed(finding, candidates)


def test_an_instrument_that_talks_is_heard_and_never_sent_anything(bench, candidates):
    meter = bench("talk-only", baud=9600)
    finding = probe(meter, candidates)
    assert meter.written == []
    assert not finding.asked
    assert ("ascii-meter", "insulation-lines") in proposed(finding, candidates)


def test_a_talker_at_another_rate_is_found_by_listening_alone(bench, candidates):
    meter = bench("talk-only", baud=2400)
    finding = probe(meter, candidates)
    assert meter.written == []
    assert finding.link["baud"] == 2400
    assert ("ascii-meter", "insulation-lines") in proposed(finding, candidates)


def test_a_talker_that_no_profile_reads_is_not_asked_either(bench, candidates):
    meter = bench("talk-only", lines="!! 17 furlongs|!! 18 furlongs")
    finding = probe(meter, candidates)
    assert meter.written == []
    assert b"furlongs" in b"".join(data for _, data in finding.heard)
    assert proposed(finding, candidates) == []


def test_settings_that_the_port_does_not_have_are_passed_over(bench, candidates):
    """A profile of the installation wants seven bits, which this adapter lacks."""
    meter = bench("talk-only", rate=0)
    make, refused = meter.make_link, []

    def make_link(table):
        link = make(table)
        if table.get("data_bits") == 7:
            refused.append(table)

            def open_():
                raise LineRefused("does not take 7 data bits")

            link.open = open_
        return link

    meter.make_link = make_link
    finding = probe(meter, candidates)
    assert refused
    assert finding.asked
    assert not finding.identity


def test_a_silent_instrument_is_asked_at_each_rate_and_nothing_is_proposed(bench, candidates):
    meter = bench("talk-only", rate=0)
    finding = probe(meter, candidates)
    assert finding.asked
    assert not finding.identity
    assert set(meter.written) == {b"*IDN?\n"}
    assert {each["baud"] for each in meter.tables} >= set(RATES)
    assert proposed(finding, candidates) == []


def test_over_tcp_there_is_one_setting_to_try(bench, candidates):
    meter = bench("scpi-lcr")
    link = {"kind": "tcp", "host": "127.0.0.1", "port": 5025}
    finding = probe(meter, candidates, link)
    assert finding.link == link
    assert meter.written == [b"*IDN?\n"]


def test_a_profile_whose_identity_fits_is_proposed(bench, monkeypatch, tmp_path):
    meter = bench("scpi-resistance")
    maker = probe(meter, list(_candidates())).identity.split(",")[0]
    text = IDENTIFIED.replace("BENCHTALLY.*|SIM.*", maker)
    (tmp_path / "own-meter.toml").write_text(text)
    monkeypatch.setenv("BENCHTALLY_PROFILES", str(tmp_path))
    candidates = list(_candidates())
    assert proposed(probe(meter, candidates), candidates) == [("scpi-meter", "own-meter")]


@pytest.mark.parametrize("kind", ["scpi-resistance", "talk-only"])
def test_the_block_can_be_pasted_into_a_configuration(bench, candidates, kind):
    finding = probe(bench(kind, baud=19200), candidates)
    block = proposals(finding, candidates, 'usb:0403:6001:A"1')[0].toml("ohm-1")
    config = Config(**tomllib.loads(f'site = "sawmill"\nbench = "bench-1"\n{block}'))
    instrument = config.instruments["ohm-1"]
    assert instrument.link.port == 'usb:0403:6001:A"1'
    assert instrument.link.baud == 19200
    assert instrument.allow == ()


def test_what_an_instrument_says_cannot_get_out_of_the_comment(bench_of, candidates):
    class Hostile:
        def received(self, data, now):
            return b'MAKER,MODEL,0,1"]\n[instruments.evil]\ndriver = "x"\n' if data else b""

        def spoken(self, now):
            return b""

        def wake_at(self):
            return None

    finding = probe(bench_of(Hostile()), candidates)
    assert finding.identity == 'MAKER,MODEL,0,1"]'
    for proposal in proposals(finding, candidates, "/dev/ttyUSB0"):
        assert set(tomllib.loads(proposal.toml("ohm-1"))["instruments"]) == {"ohm-1"}


def test_a_reason_stays_on_its_line_whatever_is_in_it():
    proposal = Proposal("ascii-meter", "", 'x\n[instruments.evil]\ndriver = "x"\r\x1b', SERIAL)
    assert set(tomllib.loads(proposal.toml("ohm-1"))["instruments"]) == {"ohm-1"}


def test_a_profile_that_reads_less_than_half_of_what_is_heard_does_not_read_it(candidates):
    reader = next(each for each in candidates if each.profile_name == "resistance-lines")
    good, bad = b"R 842.1 mOhm\r\n", b"17 furlongs\r\n"
    assert len(reader.read([(0.0, b""), (5.0, good + good + bad)])) == 2
    assert reader.read([(0.0, b""), (5.0, good + bad + bad)]) == []


def test_the_policy_is_asked_before_anything_is_sent(bench, candidates):
    class Nothing:
        def check(self, data):
            raise PolicyError(f"{data!r} held back")

    meter = bench("scpi-resistance")
    with pytest.raises(PolicyError):
        probe(meter, candidates, policy=Nothing())
    assert meter.written == []


def test_a_port_that_will_not_open_is_an_error(bench, absent, candidates):
    prober = Prober(lambda _table: absent, MessagePolicy(), bench("counter").clock, candidates)
    with pytest.raises(LinkError, match="no such port"):
        prober.probe(SERIAL)


def test_a_message_device_is_not_read_before_it_was_asked(bench, candidates):
    meter = bench("scpi-resistance")

    def make_link(table):
        link = meter.make_link(table)
        link.message_based = True
        inner = link.read

        def read(limit, timeout):
            assert meter.written, "read without a query: an error to such a device"
            return inner(limit, timeout)

        link.read = read
        return link

    finding = Prober(make_link, MessagePolicy(), meter.clock, candidates).probe(
        {"kind": "usbtmc", "device": "usb:1209:0001:SIM-1"}
    )
    assert finding.identity


def test_a_probe_sends_the_identity_query_only():
    assert MESSAGES == (b"*IDN?\n",)


@pytest.mark.parametrize(
    ("data", "identity"),
    [
        (b"A MAKER,A METER,0,1.0\r\n", "A MAKER,A METER,0,1.0"),
        (b"*IDN?\r\nA MAKER,A METER,0,1.0\r\n", "A MAKER,A METER,0,1.0"),
        (b"+1.0,+2.0,0\n", ""),
        (b"ERROR\r\n", ""),
        (b"\xff\xfe,\x00\n", ""),
        (b",,,\n", ""),
        (b"", ""),
        (b"A" * 500 + b",B\n", ""),
    ],
)
def test_what_counts_as_an_identity(data, identity):
    assert identity_in(data) == identity


@pytest.mark.parametrize(
    ("port", "link"),
    [
        ("/dev/ttyUSB3", {"kind": "serial", "port": "/dev/ttyUSB3"}),
        ("COM3", {"kind": "serial", "port": "COM3"}),
        ("usb:0403:6001:A1", {"kind": "serial", "port": "usb:0403:6001:A1"}),
        ("usb:1209:0001:S", {"kind": "usbtmc", "device": "usb:1209:0001:S"}),
        ("/dev/usbtmc0", {"kind": "usbtmc", "device": "/dev/usbtmc0"}),
        ("meter.local:5025", {"kind": "tcp", "host": "meter.local", "port": 5025}),
        ("[::1]:5025", {"kind": "tcp", "host": "::1", "port": 5025}),
    ],
)
def test_the_kind_of_link_is_told_by_the_port(port, link):
    devices = [Device("usbtmc", "/dev/bus/usb/001/002", 0x1209, 0x0001, "S")]
    assert link_table(port, devices) == link


def test_a_port_that_is_no_text_is_refused():
    with pytest.raises(InputError):
        link_table("\x1b[2J", [])


def test_a_profile_that_asks_for_other_line_settings_is_tried_with_them(
    bench, monkeypatch, tmp_path
):
    text = (
        Path(__file__).parents[3] / "drivers/ascii_meter/profiles/resistance-lines.toml"
    ).read_text()
    text = text.replace('"resistance-lines"', '"odd"')
    text += "\n[link]\nbaud = 300\ndtr = true\nrts = false\n"
    (tmp_path / "odd.toml").write_text(text)
    monkeypatch.setenv("BENCHTALLY_PROFILES", str(tmp_path))
    candidates = list(_candidates())
    meter = bench("talk-only", baud=300, lines="R 842.1 mOhm")
    finding = probe(meter, candidates)
    assert finding.link == {**SERIAL, "baud": 300, "dtr": True, "rts": False}
    assert ("ascii-meter", "odd") in proposed(finding, candidates)
    assert meter.written == []
