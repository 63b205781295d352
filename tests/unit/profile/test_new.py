"""`benchtally profile new` and `try` without hardware: answers and bytes from files."""

import io
import json
import tomllib
from pathlib import Path

import pytest

from capture.cli.main import _run
from capture.driver.profile import read_profile


@pytest.fixture(autouse=True)
def folders(tmp_path, monkeypatch):
    """No profile of the developer is in the way."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.delenv("BENCHTALLY_PROFILES", raising=False)


@pytest.fixture
def benchtally(monkeypatch, capsys):
    """Run a command with answers; give its exit code, output and errors."""

    def run(*arguments, answers=()):
        monkeypatch.setattr("sys.argv", ["benchtally", *map(str, arguments)])
        monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{each}\n" for each in answers)))
        code = _run()
        said = capsys.readouterr()
        return code, said.out, said.err

    return run


@pytest.fixture
def trace(tmp_path):
    """Write a trace of lines, one every half second."""

    def write(*chunks, name="trace.jsonl"):
        path = tmp_path / name
        lines = [{"trace": 1, "link": "test", "began": "2026-11-25T08:00:00.000000Z"}]
        for number, chunk in enumerate(chunks):
            if isinstance(chunk, str):
                lines.append({"t": 1 + number / 2, "in": chunk})
            else:
                lines.append({"t": 1 + number / 2, "in_hex": chunk.hex(" ")})
        path.write_text("".join(json.dumps(line) + "\n" for line in lines))
        return path

    return write


SERIES = tuple(f"00:00:{s:02d} 500 V {400 + 7 * s}.4 MOhm\r\n" for s in range(1, 8))


def test_a_timed_series_is_described_by_taking_the_proposals(benchtally, trace, tmp_path):
    """Elapsed time, test voltage and resistance are guessed; a person confirms by Return."""
    out = tmp_path / "tester.toml"
    answers = ["insulation_resistance", "", "", "", "tester", ""]
    code, said, _ = benchtally(
        "profile", "new", "--trace", trace(*SERIES), "--out", out, answers=answers
    )
    assert code == 0
    profile = read_profile(out)
    assert [value.quantity for value in profile.lines[0].values] == [
        "test_voltage",
        "insulation_resistance",
    ]
    assert "elapsed" in profile.lines[0].pattern
    assert "7 read; 14 values" in said
    assert f'profile = "{out}"' in said


def test_what_was_made_is_found_by_name_and_works_when_tried(benchtally, trace, tmp_path):
    """Written to the user's folder, the profile is listed and reads lines in other ranges, too."""
    seen = trace(*SERIES)
    answers = ["insulation_resistance", "", "", "", "tester", "", ""]
    assert benchtally("profile", "new", "--trace", seen, answers=answers)[0] == 0
    path = tmp_path / "config" / "benchtally" / "profiles" / "tester.toml"
    _, listed, _ = benchtally("drivers", "--profiles", "--json")
    mine = json.loads(listed.splitlines()[0])
    assert (mine["name"], mine["from"], mine["faults"]) == ("tester", str(path), [])
    other = trace("00:01:00 500 V >5.50 GOhm\r\n", "00:01:01 500 V 1.20 GOhm\r\n", name="b.jsonl")
    code, said, _ = benchtally("profile", "try", path, "--trace", other)
    assert code == 0
    assert "bound >5500000000 Ohm" in said
    assert "insulation_resistance 1200000000 Ohm" in said


def test_a_profile_is_tried_by_its_name_as_a_configuration_has_it(benchtally, trace):
    seen = trace("T  21.4 C\r\n")
    code, said, _ = benchtally("profile", "try", "thermometer-lines", "--trace", seen)
    assert code == 0
    assert "temperature 21.4 C" in said
    code, _, err = benchtally("profile", "try", "thermometer", "--trace", seen)
    assert code == 2
    assert "'thermometer' is not known; `benchtally drivers --profiles` lists them" in err


def test_words_and_banners_are_asked_about(benchtally, trace, tmp_path):
    """A word that is not always there is a flag; lines that mean nothing are ignored on request."""
    lines = (
        "R  842.1 mOhm\r\n",
        "R OL\r\n",
        "R  1.2041 Ohm\r\n",
        "R  842.2 mOhm MOVE\r\n",
        "OHMMETER 1.04\r\n",
    )
    out = tmp_path / "own.toml"
    answers = ["resistance", "", "r", "", "unsettled", "i", "own", "An ohmmeter"]
    code, said, _ = benchtally(
        "profile", "new", "--trace", trace(*lines, *lines), "--out", out, answers=answers
    )
    assert code == 0
    assert "[unsettled]" in said
    assert "of all that came: 2 passed over, 8 read; 8 values" in said
    assert read_profile(out).lines[1].values[0].flags == {"MOVE": "unsettled"}
    _, tried, _ = benchtally("profile", "try", out, "--trace", trace(*lines), "--json")
    became = [json.loads(line)["became"] for line in tried.splitlines()]
    assert became == ["read", "read", "read", "read", "passed over"]


def test_a_checksum_is_found_by_itself(benchtally, trace, tmp_path):
    """Checksums that agree on every line are described and not taken for a part of the value."""
    # CRC-16/MODBUS as two simulated meters sent them.
    lines = (" 512.3 MOhm*07E4\r\n", " 510.9 MOhm*7465\r\n", " 512.4 MOhm*B0E5\r\n")
    out = tmp_path / "checked.toml"
    answers = ["insulation_resistance", "", "checked", ""]
    code, *_ = benchtally(
        "profile", "new", "--trace", trace(*lines, *lines), "--out", out, answers=answers
    )
    assert code == 0
    assert tomllib.loads(out.read_text())["checksum"] == {"kind": "crc-16-modbus", "mark": "*"}
    wrong = trace(" 512.3 MOhm*07E4\r\n", " 512.3 MOhm*07E5\r\n", name="wrong.jsonl")
    _, said, _ = benchtally("profile", "try", out, "--trace", wrong)
    assert "1 malformed, 1 read; 1 values" in said
    assert "checksum crc-16-modbus: found 07E5, expected 07E4" in said


def test_a_line_to_be_ignored_is_passed_over_with_its_checksum(benchtally, trace, tmp_path):
    """`ignore` looks at whole lines, and the checksum of a warning is no part of what it says."""

    def checked(text):
        return f"{text}*{-sum(text.encode()) & 0xFF:02X}\r\n"  # two's complement of the sum

    lines = [checked(each) for each in ("R 842.1 mOhm", "R 842.2 mOhm", "BAT LOW")]
    out = tmp_path / "ignoring.toml"
    answers = ["", "", "i", "", ""]
    seen = trace(*lines, *lines)
    code, said, _ = benchtally("profile", "new", "--trace", seen, "--out", out, answers=answers)
    assert code == 0
    assert "a checksum, lrc, that agrees" in said
    assert "of all that came: 2 passed over, 4 read; 4 values" in said


def test_a_decimal_comma_is_seen(benchtally, trace, tmp_path):
    """842,1 is read as 842.1 where every line has a comma."""
    lines = ("R 842,1 mOhm\r\n",) * 4
    out = tmp_path / "comma.toml"
    answers = ["resistance", "", "comma", ""]
    code, said, _ = benchtally(
        "profile", "new", "--trace", trace(*lines), "--out", out, answers=answers
    )
    assert code == 0
    assert "resistance 0.8421 Ohm" in said


def test_an_ambiguous_unit_is_asked_about(benchtally, trace, tmp_path):
    """MH may be mega or milli: a person who knows the meter says which."""
    lines = ("L 12.43 MH\r\n",) * 4
    out = tmp_path / "henry.toml"
    answers = ["inductance", "", "mH", "henry", ""]
    code, said, _ = benchtally(
        "profile", "new", "--trace", trace(*lines), "--out", out, answers=answers
    )
    assert code == 0
    assert "inductance 0.01243 H" in said


ODD_UNITS = ("R 842.1 mR\r\n", "R 842.2 mR\r\n", "R 1.301 R\r\n", "R 1.302 R\r\n") * 2


def test_a_word_behind_a_number_is_never_passed_over_as_its_unit(benchtally, trace, tmp_path):
    """842.1 mR and 1.301 R, which is how some meters write milliohms and ohms, stay apart."""
    out = tmp_path / "odd.toml"
    code, said, _ = benchtally(
        "profile",
        "new",
        "--trace",
        trace(*ODD_UNITS),
        "--out",
        out,
        answers=["", "", "", "mR", "mV", "mOhm", "Ohm", "", ""],
    )
    assert code == 0
    assert "unit 'mR' is not known" in said
    assert "mV is no unit of resistance, whose base unit is Ohm" in said
    assert read_profile(out).lines[0].values[0].units == {"mR": "mOhm", "R": "Ohm"}
    assert "resistance 0.8421 Ohm" in said
    assert "resistance 1.302 Ohm" in said


def test_a_unit_in_a_column_of_its_own_is_proposed(benchtally, trace, tmp_path):
    """A separator between number and unit hides neither the unit nor its prefix."""
    lines = ("R;842.1;mOhm;S\r\n", "R;842.2;mOhm;S\r\n") * 2
    out = tmp_path / "columns.toml"
    code, said, _ = benchtally(
        "profile", "new", "--trace", trace(*lines), "--out", out, answers=["", "", "", "", ""]
    )
    assert code == 0
    assert "resistance 0.8421 Ohm" in said
    # The file's name was taken for the profile's: both must be the same to be found.
    assert read_profile(out).name == "columns"


def test_words_behind_a_number_that_are_no_units_are_asked_about_as_flags(
    benchtally, trace, tmp_path
):
    """The unit, which the line does not show, is then typed: nothing is proposed for it."""
    lines = ("842.1 STBL\r\n", "842.2 MOVE\r\n") * 3
    answers = ["", "", "Ohm", "-", "-", "-", "", "mOhm", "ok", "unsettled", "", ""]
    out = tmp_path / "flags.toml"
    code, said, _ = benchtally(
        "profile", "new", "--trace", trace(*reversed(lines)), "--out", out, answers=answers
    )
    assert code == 0
    assert "say it of all or of none" in said
    assert "unit '' is not known" in said
    value = read_profile(out).lines[0].values[0]
    assert value.unit == "mOhm"
    assert value.flags == {"STBL": "ok", "MOVE": "unsettled"}


def test_lines_without_any_number_are_not_asked_for_their_unit(benchtally, trace, tmp_path):
    """OL has none; and a number that comes there later without a unit is not believed."""
    lines = ("R 842.1 mOhm S\r\n", "R OL\r\n", "R 842.2 mOhm S\r\n", "R OL\r\n") * 2
    out = tmp_path / "open.toml"
    answers = ["", "", "r", "", "", "", ""]
    code, said, err = benchtally(
        "profile", "new", "--trace", trace(*lines), "--out", out, answers=answers
    )
    assert (code, err) == (0, "")
    assert "[above-range]" in said
    later = trace("R OL\r\n", "R 512.4\r\n", "R OL\r\n", name="later.jsonl")
    _, said, _ = benchtally("profile", "try", out, "--trace", later)
    assert "1 malformed, 2 read" in said


def test_the_line_settings_of_a_trace_go_into_the_profile(benchtally, trace, tmp_path):
    """A trace says at which speed it was heard; options that are given go before it."""
    seen = trace(*("R 842.1 mOhm\r\n",) * 4)
    first, rest = seen.read_text().split("\n", 1)
    heard = {"baud": 2400, "data_bits": 7, "parity": "even", "stop_bits": 1, "flow": "none"}
    seen.write_text(json.dumps(json.loads(first) | heard) + "\n" + rest)
    out = tmp_path / "slow.toml"
    arguments = ("profile", "new", "--trace", seen, "--baud", "1200", "--out", out)
    assert benchtally(*arguments, answers=["", "", "", ""])[0] == 0
    assert tomllib.loads(out.read_text())["link"] == {
        "baud": 1200,
        "data_bits": 7,
        "parity": "even",
    }


def test_nothing_is_written_when_nothing_is_read(benchtally, trace, tmp_path):
    """Answers that do not fit the lines leave no file behind."""
    out = tmp_path / "none.toml"
    # A bare number is a number of a record, so that no value is left.
    code, _, err = benchtally(
        "profile",
        "new",
        "--trace",
        trace("0001\r\n", "0002\r\n", "0003\r\n"),
        "--out",
        out,
        answers=["resistance", "record"],
    )
    assert code == 2
    assert "no value was named" in err
    assert not out.exists()


def test_an_existing_file_is_never_overwritten(benchtally, trace, tmp_path):
    """A profile that somebody wrote is kept."""
    out = tmp_path / "tester.toml"
    out.write_text("mine")
    answers = ["insulation_resistance", "", "", "", "tester", ""]
    code, _, err = benchtally(
        "profile", "new", "--trace", trace(*SERIES), "--out", out, answers=answers
    )
    assert code == 2
    assert "is there already" in err
    assert out.read_text() == "mine"


def test_answers_that_end_early_end_the_interview(benchtally, trace, tmp_path):
    """No endless question where standard input has come to its end."""
    code, _, err = benchtally(
        "profile", "new", "--trace", trace(*SERIES), "--out", tmp_path / "x.toml"
    )
    assert code == 2
    assert "no answer to 'What does the meter measure'" in err


@pytest.mark.parametrize("parity", ["even", "odd", "mark"])
def test_seven_bits_heard_as_eight_are_told_and_not_read(benchtally, trace, tmp_path, parity):
    """ "842.3" with parity bits looks like ".3" between strange letters: no number to propose."""

    def on_the_wire(text):
        wanted = {"even": 0, "odd": 1}
        return bytes(
            byte | 0x80 if parity == "mark" or byte.bit_count() % 2 != wanted[parity] else byte
            for byte in text.encode("ascii")
        )

    seen = trace(*(on_the_wire(f"R 842.{digit} mOhm\r\n") for digit in range(8)))
    out = tmp_path / "seven.toml"
    code, _, err = benchtally("profile", "new", "--trace", seen, "--out", out, answers=[""] * 9)
    assert code == 2
    assert f"listen again with --data-bits 7 --parity {parity}" in err
    assert not out.exists()


@pytest.mark.parametrize("encoding", ["utf-8", "latin-1", "cp437"])
def test_text_of_eight_bits_is_not_taken_for_seven(benchtally, trace, tmp_path, encoding):
    """A micro sign has its eighth bit as a letter and not as a parity."""
    seen = trace(*(f"L 842.{digit} µH\r\n".encode(encoding) for digit in range(8)))
    out = tmp_path / "eight.toml"
    answers = ["inductance", "", "", ""]
    code, said, err = benchtally("profile", "new", "--trace", seen, "--out", out, answers=answers)
    assert (code, err) == (0, "")
    assert "inductance 0.0008422 H" in said


def test_binary_bytes_are_no_lines(benchtally, trace, tmp_path):
    """Packed frames are said to be none of the interview's business."""
    frames = trace(bytes.fromhex("00 01 00 06 4A 8C FD 3C"))
    code, _, err = benchtally("profile", "new", "--trace", frames, "--out", tmp_path / "x.toml")
    assert code == 2
    assert "no whole line was seen" in err


def test_try_shows_what_was_malformed_and_why(benchtally, trace, tmp_path):
    """Each line with what became of it, and totals; nothing read is exit code 1."""
    path = tmp_path / "p.toml"
    path.write_text(
        'schema_version = 1\nname = "p"\nsummary = "p"\ndriver = "ascii-meter"\n'
        "ignore = ['HELLO']\n[[lines]]\n"
        "pattern = 'R (?P<value>[0-9.]+) (?P<unit>m?Ohm)'\nquantity = \"resistance\"\n"
    )
    seen = trace("HELLO\r\n", "R 1.2 Ohm\r\n", "R 1.2 ohm\r\nX\r\n")
    code, said, _ = benchtally("profile", "try", path, "--trace", seen)
    assert code == 0
    assert "2 malformed, 1 passed over, 1 read; 1 values" in said
    assert "fits no line of the profile" in said
    code, *_ = benchtally("profile", "try", path, "--trace", trace("HELLO\r\n", name="h.jsonl"))
    assert code == 1


def test_the_packed_profile_of_the_manual_reads_the_packet_of_the_manual(
    benchtally, trace, tmp_path
):
    """84210 and the exponent -5; the CRC is a simulated meter's, worked out by other code."""
    manual = (Path(__file__).parents[3] / "docs" / "profiles.md").read_text("utf-8")
    blocks = [part.split("```")[0] for part in manual.split("```toml\n")[1:]]
    (whole,) = (block for block in blocks if "[[packed.values]]" in block)
    path = tmp_path / "packet-meter.toml"
    path.write_text(whole)
    packet = "A5 5A 11 F2 48 01 00 FB 52 00 89 E0"
    assert f"`{packet}`" in manual
    sent = trace(*[bytes.fromhex(packet)] * 3)
    code, said, _ = benchtally("profile", "try", path, "--trace", sent, "--json")
    assert code == 0
    values = [each for line in said.splitlines() for each in json.loads(line)["values"]]
    assert {(each["quantity"], each["value"], each["unit"]) for each in values} == {
        ("resistance", 0.8421, "Ohm")
    }
    assert len(values) == 3


def test_try_lets_a_polled_meter_be_asked(benchtally, trace, tmp_path):
    """Lines of a meter that answers are read as its answers."""
    path = tmp_path / "p.toml"
    path.write_text(
        'schema_version = 1\nname = "p"\nsummary = "p"\ndriver = "ascii-meter"\n'
        '[poll]\nmessage = "D\\r"\n[[lines]]\n'
        "pattern = 'R (?P<value>[0-9.]+) (?P<unit>m?Ohm)'\nquantity = \"resistance\"\n"
    )
    seen = trace("R 1.2 Ohm\r\nR 1.3 Ohm\r\n", "R 1.4 Ohm\r\n")
    _, said, _ = benchtally("profile", "try", path, "--trace", seen)
    assert "3 read; 3 values" in said


def test_try_refuses_a_driver_that_holds_conversations(benchtally, trace, tmp_path):
    """A recording has one side of a SCPI conversation only."""
    path = tmp_path / "p.toml"
    path.write_text(
        'schema_version = 1\nname = "p"\nsummary = "p"\ndriver = "scpi-meter"\n'
        '[scpi]\nvalues = [{ quantity = "resistance" }]\n'
    )
    code, _, err = benchtally("profile", "try", path, "--trace", trace("1\n"))
    assert code == 2
    assert "has no answers" in err


@pytest.mark.parametrize("rate", ["²", "many", "", 5000 * "1"])
def test_a_baud_rate_that_is_no_number_is_asked_for_again(benchtally, tmp_path, rate):
    """A superscript is a digit to Python, and no number."""
    port = tmp_path / "no-port"
    code, said, err = benchtally("profile", "new", answers=[port, rate, "9600"])
    assert code != 0
    assert f"{port}: no such port" in err
    assert ("expected a whole number" in said) == bool(rate)  # nothing said takes what is proposed
