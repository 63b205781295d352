"""What people type: values, units, test points, terminals, blocks of values, moments.

`InputError` or `ConfigError` with one line, or a value that is what was typed; what is written back
is read as the same again.
"""

from datetime import UTC, datetime, timedelta
from decimal import Decimal

from choices import Choices

from capture.cli.moments import moment
from capture.errors import ConfigError, InputError
from capture.keying import SIX, Keying, make_block, make_reading, parse_block
from capture.model import ReadingDraft, TestPoint, parse_shown
from capture.model.shown import parse_number
from capture.model.testpoint import Direction, terminal
from capture.model.units import UNIT_CODES, parse_unit

MUTATIONS = 2500
MARKS = ("auto", "point", "comma")
QUANTITIES = ("resistance", "pulse_time", "insulation_resistance", "x_own")
TYPED = (
    "842.1 mΩ", "0,842 Ω", "87.42 µs", ">5.5 GΩ", "<0.1 Ω", "OL", "-OL MOhm", "---", "--.-- V",
    "9.9E37", "1,234 Ω", "-12.5e-3 V", "+.5 %", "21.5 °C", "U-V 87.42 µs\nU-V reverse 88 µs",
    "# six\n87.42 µs\n;87.5 µs\n", "U1-U2", "U+V+W-frame", "U-frame guard V earth W", "T1-T12",
    "2026-01-31", "2026-01-31T08:00+01:00", "0001-01-01T00:00+23:00", "1KLM9-9", "mOhm", "MHz",
)  # fmt: skip


def seeds():
    """Give what is typed to every reader of it."""
    for number in range(len(READERS)):
        for text in TYPED:
            yield bytes((number, 0)) + text.encode()


def target(data):
    """Let one of the readers read."""
    choices = Choices(data)
    reader, option = choices.of(READERS), choices.byte()
    try:
        reader(choices.text(), option)
    except (InputError, ConfigError) as error:
        assert str(error)
        for line in getattr(error, "faults", [str(error)]):
            assert "\n" not in line
            assert "\r" not in line


def _shown(text, option):
    mark = MARKS[option % 3]
    shown = parse_shown(text, mark=mark, default_unit=("", "mOhm")[option // 3 % 2])
    again = parse_shown(f"  {text} " if len(text) < 50 else text, mark=mark,
                        default_unit=("", "mOhm")[option // 3 % 2])  # fmt: skip
    assert again == shown
    assert shown.digits
    assert shown.digits in text
    if shown.value is not None:
        assert shown.unit
        value = Decimal(shown.digits.replace(",", ".").replace("\N{MINUS SIGN}", "-"))
        assert shown.value == value.scaleb(parse_unit(shown.shown_unit).exponent)


def _number(text, option):
    number = parse_number(text, mark=MARKS[option % 3])
    assert number.is_finite()
    assert number == Decimal(text.replace(",", ".").replace("\N{MINUS SIGN}", "-"))


def _unit(text, _option):
    scale = parse_unit(text)
    assert scale.unit in UNIT_CODES
    assert -12 <= scale.exponent <= 12


def _point(text, option):
    point = TestPoint.parse(text)
    assert TestPoint.parse(str(point)) == point
    assert point.swapped().swapped() == point
    assert (point.pair is None) == (point.direction is None)
    if point.pair is not None:
        assert point.swapped().pair == point.pair
        assert point.towards(Direction.REVERSE).direction is Direction.REVERSE
    assert len(text) <= 200
    for mark in (*point.first, *point.second):
        assert terminal(mark) == mark


def _terminal(text, _option):
    name = terminal(text)
    assert terminal(name) == name
    assert name.isascii()


def _moment(text, _option):
    found = moment("--since", text)
    assert found.utcoffset() == timedelta(0)
    assert moment("--since", found.isoformat()) == found


def _keying(option):
    return Keying(
        site="sawmill", bench="bench-1", instrument="display-1",
        quantity=QUANTITIES[option % 4], operator="technician",
        time=datetime(2026, 1, 5, 8, tzinfo=UTC), machine="fan-07", mark=MARKS[option // 4 % 3],
    )  # fmt: skip


def _key(text, option):
    draft = make_reading(_keying(option), text, TestPoint.parse("U-V"))
    assert ReadingDraft.model_validate_json(draft.model_dump_json()) == draft


def _block(text, option):
    lines = parse_block(text, SIX if option & 1 else ())
    assert lines
    drafts = make_block(_keying(option >> 1), lines)
    assert len(drafts) == len(lines)
    assert len({draft.group for draft in drafts}) == 1
    for draft in drafts:
        assert ReadingDraft.model_validate_json(draft.model_dump_json()) == draft


READERS = (_shown, _number, _unit, _point, _terminal, _moment, _key, _block)
