"""The short way of plain lines says what the long way says, or nothing."""

from decimal import Decimal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from capture.driver import Indication, built_in_profiles, load_profile, parse_profile
from drivers.ascii_meter import driver as home
from drivers.ascii_meter.driver import ID, PACKAGE, AsciiMeter, AsciiMeterOptions
from drivers.ascii_meter.plain import suits

BUILT_IN = [
    profile
    for name in built_in_profiles(PACKAGE)
    if suits(profile := load_profile(name, PACKAGE, ID))
]
HEAD = 'schema_version = 1\nsummary = "made for this test"\ndriver = "ascii-meter"\n'
# What a profile may say that makes a line less plain than it looks.
OWN = {
    "two-forms": """
[[lines]]
pattern = 'R (?P<value>[^ ]+) (?P<unit>[^ ]+)'
quantity = "resistance"
[[lines]]
pattern = '. (?P<value>[^ ]+) (?P<unit>[^ ]*)'
quantity = "inductance"
""",
    "units-and-words": """
ignore = ['R 0+ Ohm', 'ready']
[identity]
banner = '(?P<model>R 9.*)'
[[lines]]
pattern = 'R ?(?P<value>[^ ]*) ?(?P<unit>.*)'
quantity = "resistance"
unit = "kOhm"
units = { MO = "mOhm", kOhm = "Ohm", "" = "Ohm" }
words = { "7" = "invalid", "FAULT" = "invalid" }
conditions = {}
""",
    "held": """
[[lines]]
pattern = 'R (?P<value>[^ ]+) (?P<unit>[^ ]+)'
quantity = "resistance"
status = "stale"
""",
    "fills-and-blanks": """
ignore = ['\\fR1.*']
[[lines]]
pattern = '.(?P<value>[0-9.]+)(?P<unit>.*)'
quantity = "resistance"
units = { " MO" = "mOhm" }
""",
    "own-quantity": """
[framing]
terminator = "\\r\\n"
encoding = "latin-1"
[[lines]]
pattern = '(R )?(?P<value>[^ ]+)( (?P<unit>[^ ]+))?'
quantity = "x_ratio"
unit = "%"
""",
}
PROFILES = BUILT_IN + [
    parse_profile(f'{HEAD}name = "{name}"\n{text}', name) for name, text in OWN.items()
]

values = st.one_of(
    st.from_regex(r"[-+]?[0-9]{0,14}(\.[0-9]{0,22})?", fullmatch=True),
    st.sampled_from(
        ["OL", "---", "9.9E37", ">5.5", "1,5", "7", "FAULT", "1_0", "٣.٣", "0", "00.0", ""]
    ),
)
units = st.sampled_from(
    [
        "Ohm",
        "mOhm",
        "kOhm",
        "MOhm",
        "MO",
        "mH",
        "V",
        "%",
        "",
        "Ω",
        "mΩ",
        "GOhm",
        "MV",
        "1",
        "C",
        "x",
    ]
)
heads = st.sampled_from(
    ["R ", "R  ", "R", "L ", "INS ", "  R ", "T= ", "", "DCV ", "\0R ", "T ", "\fR ", "\0"]
)
ends = st.sampled_from(["\r\n", "\n", "\r", "\n\r", "\r\n\n", " \r\n", "\0\r\n"])
lines = st.builds(
    lambda *parts: "".join(parts), heads, values, st.sampled_from([" ", "  ", ""]), units, ends
)
streams = st.lists(
    st.one_of(lines, st.sampled_from(["ready\r\n", "\r\n", "junk\r\n", "é\r\n"])), max_size=8
)


def events(profile, data, cuts, *, short):
    driver = AsciiMeter.__new__(AsciiMeter)
    options = AsciiMeterOptions.__new__(AsciiMeterOptions)
    object.__setattr__(options, "profile", profile.name)
    object.__setattr__(options, "conditions", {"range": "1"})
    known, home._profile = home._profile, lambda _name: profile
    try:
        driver.__init__(options)
    finally:
        home._profile = known
    assert (driver._plain is not None) == suits(profile)
    if not short:
        driver._plain = None
    list(driver.outgoing(0.0))
    found, last = [], 0
    for cut in [*sorted(cuts), len(data)]:
        driver.receive(data[last:cut], False, 1.0)
        last = cut
        while (event := driver.next_event()) is not None:
            found.append(event)
    return found


@pytest.mark.parametrize("profile", PROFILES, ids=lambda profile: profile.name)
@given(stream=streams, cuts=st.sets(st.integers(0, 200), max_size=4))
@example(stream=["\x0012Ohm\r\n", "\f1Ohm\r\n", "R12 MO\n", "\fR1Ohm\n"], cuts=set())
@example(stream=["R 842.1 mOhm\r\n", "R -0.0 mOhm\n", "R +5 Ohm\r"], cuts=set())
def test_the_short_way_says_what_the_long_way_says(profile, stream, cuts):
    data = "".join(stream).encode("utf-8")
    cuts = {cut for cut in cuts if cut <= len(data)}
    short = events(profile, data, cuts, short=True)
    whole = events(profile, data, cuts, short=False)
    assert short == whole
    # Equal numbers may differ in their last decimal place, which is what an uncertainty goes by.
    assert [str(event.value) for event in short if isinstance(event, Indication)] == [
        str(event.value) for event in whole if isinstance(event, Indication)
    ]


def test_the_short_way_is_taken_where_it_can_be():
    profile = load_profile("resistance-lines", PACKAGE, ID)
    driver = AsciiMeter(AsciiMeterOptions("resistance-lines"))
    assert suits(profile)
    one = driver._plain.read(b"R 842.1 mOhm", b"R 842.1 mOhm\r")
    assert (one.value, one.unit, one.digits, one.shown_unit) == (
        Decimal("0.8421"),
        "Ohm",
        "842.1",
        "mOhm",
    )
    for other in (b"R OL", b"R 842.1", b"R 842.1 mOhm R", b"\xff", b"R 1.2.3 Ohm", b""):
        assert driver._plain.read(other, other) is None


def test_most_profiles_of_talk_only_meters_have_it():
    assert {"resistance-lines", "insulation-lines", "multimeter-lines"} <= {
        p.name for p in BUILT_IN
    }
