"""The line-sending meter: joining a stream, profiles that guess nothing, polling."""

from decimal import Decimal

import pytest

from capture.driver import ConfigError, Indication, Malformed, NoAnswer, Resync, Send, Status
from drivers.ascii_meter.driver import AsciiMeter, AsciiMeterOptions

PLAIN = """
schema_version = 1
name = "plain"
summary = "Plain lines"
driver = "ascii-meter"
[[lines]]
pattern = '(?P<value>[0-9.]+) (?P<unit>[A-Za-z]+)'
quantity = "resistance"
"""


@pytest.fixture
def meter(tmp_path):
    """Make a meter that works by a profile given as text."""

    def make(text, name="plain"):
        path = tmp_path / f"{name}.toml"
        path.write_text(text, "utf-8")
        return AsciiMeter(AsciiMeterOptions(profile=str(path)))

    return make


def events_of(driver):
    found = []
    while (event := driver.next_event()) is not None:
        found.append(event)
    return found


def values_of(driver, *pieces, quiet=0.0, gap=0.01):
    """Open at 100 s, wait ``quiet``, feed the pieces, and give the values in base units."""
    list(driver.outgoing(100.0))
    now, found = 100.0 + quiet, []
    for piece in pieces:
        driver.receive(piece, False, now)
        now += gap
        found += events_of(driver)
    return [str(event.value) for event in found if isinstance(event, Indication)]


def test_a_line_that_was_under_way_at_opening_is_dropped(meter):
    """``42.1 mOhm`` may be the end of ``842.1 mOhm``."""
    assert values_of(meter(PLAIN), b"42.1 mOhm\r\n842.1 mOhm\r\n") == ["0.8421"]


@pytest.mark.parametrize("cut", range(1, 12))
def test_it_is_dropped_wherever_the_line_is_cut(meter, cut):
    line = b"842.1 mOhm\r\n"
    assert values_of(meter(PLAIN), line[cut:], line) == ["0.8421"]
    driver = meter(PLAIN)
    assert values_of(driver, line[cut : cut + 1], line[cut + 1 :] + line) == ["0.8421"]


def test_a_pause_in_the_middle_of_the_first_line_does_not_make_its_rest_a_line(meter):
    driver = meter(PLAIN)
    assert values_of(driver, b"8", b"42.1 mOhm\r\n", b"5 mOhm\r\n", gap=0.5) == ["0.005"]


def test_after_a_quiet_start_the_first_line_is_whole(meter):
    """Somebody pressed "send" on a meter that was silent."""
    assert values_of(meter(PLAIN), b"842.1 mOhm\r\n", quiet=0.3) == ["0.8421"]


def test_a_talk_only_meter_is_never_sent_anything(meter):
    driver = meter(PLAIN)
    assert [list(driver.outgoing(100.0 + n)) for n in range(50)] == [[]] * 50
    assert driver.wake_at() is None


ODD_END = PLAIN.replace("[[lines]]", '[framing]\nterminator = "0;"\n[[lines]]')


def test_only_the_whole_terminator_ends_the_line_that_was_under_way(meter):
    """A line may hold the last character of a longer terminator; its rest is still no line."""
    odd = ODD_END.replace("[A-Za-z]+)", "[A-Za-z;]+)")
    driver = meter(odd, "odd")
    assert values_of(driver, b"7;5 mOhm0;842.1 mOhm0;") == ["0.8421"]


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"842.1 mHenry\n", "not known"),
        (b"842.1 MH\n", "ambiguous"),
        (b"842.1 mH\n", "resistance is in Ohm, the line shows H"),
        (b"8.4.2 mOhm\n", "goes on like a number"),
        (b"OL Ohm\n", "fits no line"),
        (b"842.1\n", "fits no line"),
        (b"842.1 mOhm mOhm\n", "fits no line"),
        (b"\xff842.1 mOhm\n", "not ascii"),
        (b"8" * 200 + b"\n", "no end of line"),
    ],
)
def test_a_line_that_is_none_is_reported_with_the_reason(meter, line, reason):
    driver = meter(PLAIN)
    list(driver.outgoing(100.0))
    driver.receive(line, False, 105.0)
    (event,) = events_of(driver)
    assert isinstance(event, Malformed)
    assert reason in event.reason


def test_a_line_that_fits_two_forms_is_not_guessed(meter):
    text = PLAIN + (
        "[[lines]]\npattern = '(?P<value>[0-9.]+) mOhm'\nquantity = \"impedance\"\nunit = 'mOhm'\n"
    )
    driver = meter(text)
    list(driver.outgoing(100.0))
    driver.receive(b"842.1 mOhm\n", False, 105.0)
    (event,) = events_of(driver)
    assert isinstance(event, Malformed)
    assert "two lines" in event.reason


FULL = """
schema_version = 1
name = "full"
summary = "Everything"
driver = "ascii-meter"
ignore = ['READY.*']
[framing]
encoding = "cp437"
decimal = "comma"
[conditions]
law = "period"
[[lines]]
pattern = '(?P<function>[A-Z]+) (?P<value>[0-9,]+|OL|---)( (?P<unit>\\S+))?( (?P<flags>[A-Z ]+))?'
[lines.functions]
RES = { quantity = "resistance", unit = "Ohm" }
IND = { quantity = "inductance" }
[lines.units]
MH = "mH"
[lines.flags]
HOLD = "stale"
AUTO = "ok"
LIVE = "live-voltage"
"""


@pytest.mark.parametrize(
    ("line", "quantity", "value", "status"),
    [
        ("RES 0,842 kΩ", "resistance", "842", Status.OK),
        ("RES 1,234", "resistance", "1.234", Status.OK),
        ("IND 12,43 MH AUTO", "inductance", "0.01243", Status.OK),
        ("IND 12,43 mH HOLD", "inductance", "0.01243", Status.STALE),
        ("IND 12,43 mH AUTO LIVE", "inductance", "0.01243", Status.LIVE_VOLTAGE),
        ("RES OL", "resistance", None, Status.ABOVE_RANGE),
        ("RES OL MΩ HOLD", "resistance", None, Status.ABOVE_RANGE),
        ("RES ---", "resistance", None, Status.INVALID),
    ],
)
def test_functions_units_and_flags_mean_what_the_profile_says(meter, line, quantity, value, status):
    driver = meter(FULL, "full")
    list(driver.outgoing(100.0))
    driver.receive(line.encode("cp437") + b"\r\n", False, 105.0)
    (event,) = events_of(driver)
    assert isinstance(event, Indication), event
    assert (event.quantity, event.status) == (quantity, status)
    assert event.value == (None if value is None else Decimal(value))
    assert event.conditions == {"law": "period"}


def test_the_unit_is_kept_as_the_instrument_showed_it(meter):
    """The profile says what ``MH`` means; what was shown stays what was shown."""
    driver = meter(FULL, "full")
    list(driver.outgoing(100.0))
    driver.receive(b"IND 12,43 MH\r\n", False, 105.0)
    (event,) = events_of(driver)
    assert (event.shown_unit, event.value) == ("MH", Decimal("0.01243"))


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"CAP 1,0 F", "function 'CAP' is not listed"),
        (b"RES 1,0 Ohm WHAT", "flag 'WHAT' is not listed"),
        (b"IND 1,0", "no unit"),
    ],
)
def test_what_the_profile_does_not_list_is_reported(meter, line, reason):
    driver = meter(FULL, "full")
    list(driver.outgoing(100.0))
    driver.receive(line + b"\r\n", False, 105.0)
    (event,) = events_of(driver)
    assert isinstance(event, Malformed)
    assert reason in event.reason


def test_lines_to_be_ignored_and_empty_ones_are_passed_over(meter):
    driver = meter(FULL, "full")
    list(driver.outgoing(100.0))
    driver.receive(b"READY 1.0\r\n\r\n   \r\n\0\0\r\n", False, 105.0)
    assert events_of(driver) == []


POLLED = PLAIN + '[poll]\nmessage = "D\\r"\ninterval_s = 1.0\ntimeout_s = 2.0\n'


def test_a_polled_meter_is_asked_and_an_answer_taken(meter):
    driver = meter(POLLED)
    (send,) = driver.outgoing(100.0)
    assert isinstance(send, Send)
    assert send.data == b"D\r"
    assert list(driver.outgoing(101.9)) == []
    driver.receive(b"842.1 mOhm\r\n", False, 101.9)
    assert [type(event) for event in events_of(driver)] == [Indication]
    assert [type(action) for action in driver.outgoing(101.9)] == [Send]


def test_a_polled_meter_that_is_late_is_not_believed_before_the_next_poll(meter):
    driver = meter(POLLED)
    list(driver.outgoing(100.0))
    (action,) = driver.outgoing(102.0)
    assert isinstance(action, Resync)
    assert events_of(driver) == [NoAnswer(b"D\r", 2.0)]
    driver.receive(b"842.1 mOhm\r\n", False, 102.5)
    assert [type(event) for event in events_of(driver)] == [Malformed]
    assert [type(action) for action in driver.outgoing(102.6)] == [Resync]
    assert list(driver.outgoing(104.5)) == []
    assert [type(action) for action in driver.outgoing(104.7)] == [Send]


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        (("(?P<value>", "(?P<number>"), "needs a group"),
        (("(?P<unit>", "(?P<sort>"), "give a unit, or a field unit"),
        (("[0-9.]+)", "[0-9.]+"), "not a regular expression"),
        (('quantity = "resistance"', ""), "give a quantity"),
        (('quantity = "resistance"', 'quantity = "resistence"'), "quantity"),
        (("schema_version = 1", "schema_version = 2"), "schema_version"),
        (
            ('name = "plain"', 'name = "Plain Meter"'),
            "name: found 'Plain Meter', expected lower-case",
        ),
        (('summary = "Plain lines"', ""), "summary: not given, but required"),
        (("[[lines]]", "colour = 1\n[[lines]]"), "colour: found 1, but there is no such key"),
        (("(?P<unit>", "(?P<flags>"), "no flags are listed"),
        (("(?P<unit>", "(?P<function>"), "no functions are listed"),
        (("[[lines]]", "[lines]]"), "not TOML"),
        (('quantity = "resistance"', 'quantity = "resistance"\nunit = "MH"'), "ambiguous"),
    ],
)
def test_a_faulty_profile_is_refused_with_file_and_key(meter, change, fault):
    with pytest.raises(ConfigError, match=r"plain\.toml: ") as caught:
        meter(PLAIN.replace(*change))
    assert fault in str(caught.value)


def test_an_unknown_profile_names_the_built_in_ones():
    with pytest.raises(ConfigError, match=r"built in are .*insulation-lines,.* resistance-lines"):
        AsciiMeterOptions(profile="no-such")


def test_a_profile_that_is_not_there_is_named(tmp_path):
    with pytest.raises(ConfigError, match=r"gone\.toml: cannot be read"):
        AsciiMeterOptions(profile=str(tmp_path / "gone.toml"))


def test_a_profile_of_ones_own_is_found_by_name(tmp_path, monkeypatch):
    (tmp_path / "mine-by-name.toml").write_text(PLAIN.replace('"plain"', '"mine-by-name"'))
    monkeypatch.setenv("BENCHTALLY_PROFILES", str(tmp_path))
    assert values_of(AsciiMeter(AsciiMeterOptions("mine-by-name")), b"\n5 Ohm\n") == ["5"]
