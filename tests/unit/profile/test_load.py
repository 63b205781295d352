"""Finding profiles, and saying precisely what is wrong with one."""

import json
import os
from pathlib import Path

import pytest

from capture.config import SerialSettings, TcpSettings
from capture.driver.profile import find_profiles, load_profile, parse_profile, search_path
from capture.driver.profile.schema import profile_documents
from capture.errors import ConfigError
from capture.instruments import with_defaults

HEAD = 'schema_version = 1\nname = "p"\nsummary = "p"\ndriver = "ascii-meter"\n'
LINES = HEAD + (
    "[[lines]]\npattern = '(?P<value>[0-9.]+) (?P<unit>Ohm)'\nquantity = \"resistance\"\n"
)
PACKAGE = "drivers.ascii_meter"


@pytest.fixture(autouse=True)
def folders(tmp_path, monkeypatch):
    """A named folder, the user's own, and no other."""
    named, config = tmp_path / "named", tmp_path / "config"
    monkeypatch.setenv("BENCHTALLY_PROFILES", os.pathsep.join([str(tmp_path / "none"), str(named)]))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(config))
    own = config / "benchtally" / "profiles"
    named.mkdir()
    own.mkdir(parents=True)
    return named, own


def faults(text):
    with pytest.raises(ConfigError) as caught:
        parse_profile(text, "meter.toml")
    return caught.value.faults


def written(folder, name, text=None, summary="p"):
    text = text or LINES
    text = text.replace('name = "p"', f'name = "{name}"').replace(
        'summary = "p"', f'summary = "{summary}"'
    )
    (folder / f"{name}.toml").write_text(text)


# ── where profiles are looked for ────────────────────────────────────────────────────────────


def test_folders_are_searched_in_order(tmp_path, folders):
    """The environment's folders, the user's own, the system's."""
    named, own = folders
    assert search_path() == [tmp_path / "none", named, own, Path("/etc/benchtally/profiles")]


def test_home_is_used_without_a_configuration_folder(tmp_path, monkeypatch):
    """Without XDG_CONFIG_HOME it is ~/.config."""
    monkeypatch.delenv("XDG_CONFIG_HOME")
    monkeypatch.delenv("BENCHTALLY_PROFILES")
    monkeypatch.setenv("HOME", str(tmp_path))
    assert search_path()[0] == tmp_path / ".config" / "benchtally" / "profiles"


def test_the_first_profile_of_a_name_is_taken(folders):
    """A named folder hides the user's own, which hides a built-in one."""
    named, own = folders
    assert load_profile("resistance-lines", PACKAGE, "ascii-meter").summary.startswith("Ohmmeter")
    written(own, "resistance-lines", summary="the user's")
    assert load_profile("resistance-lines", PACKAGE, "ascii-meter").summary == "the user's"
    written(named, "resistance-lines", summary="the environment's")
    assert load_profile("resistance-lines", PACKAGE, "ascii-meter").summary == "the environment's"


def test_all_are_listed_hidden_and_faulty_ones_included(folders):
    """A faulty profile is shown with its fault; it stops nothing."""
    named, own = folders
    written(own, "resistance-lines")
    (named / "broken.toml").write_text("name = ")
    written(named, "other")
    (named / "other.toml").rename(named / "renamed.toml")
    found = {(each.name, each.where): each for each in find_profiles([PACKAGE, "drivers.scpi_lcr"])}
    broken = found["broken", str(named / "broken.toml")]
    assert broken.profile is None
    assert broken.faults[0].startswith(f"{named / 'broken.toml'}: not TOML: ")
    renamed = found["renamed", str(named / "renamed.toml")]
    assert renamed.faults == (
        f"{named / 'renamed.toml'}: name: found 'other', expected 'renamed' as its file",
    )
    built_in = found["resistance-lines", "built into drivers.ascii_meter"]
    assert built_in.hidden_by == str(own / "resistance-lines.toml")
    assert found["lcr-impedance-function", "built into drivers.scpi_lcr"].faults == ()


def test_an_unknown_name_says_what_there_is():
    """And that a file may be given."""
    with pytest.raises(ConfigError, match="'nope' is not known; built in are climate-lines, ") as e:
        load_profile("nope", PACKAGE, "ascii-meter")
    assert "or give a .toml file" in str(e.value)


def test_a_profile_of_another_driver_is_refused(tmp_path):
    """It would read nothing, or the wrong thing."""
    path = tmp_path / "p.toml"
    path.write_text(LINES)
    with pytest.raises(ConfigError, match="is for driver ascii-meter, not for scpi-meter"):
        load_profile(str(path), "drivers.scpi_meter", "scpi-meter")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"\xff", "not UTF-8 text (byte 0)"),
        (b"#" * 300_000, "larger than 262144 bytes: no profile"),
    ],
)
def test_a_file_that_is_no_text_is_refused(tmp_path, content, words):
    """One line says why."""
    path = tmp_path / "p.toml"
    path.write_bytes(content)
    with pytest.raises(ConfigError) as caught:
        load_profile(str(path), PACKAGE, "ascii-meter")
    assert caught.value.faults == [f"profile {path}: {words}"]


# ── what is wrong with one ───────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        (
            ('quantity = "resistance"', 'quantity = "resistance"\nunti = "Ohm"'),
            "lines[0].unti: found 'Ohm', but there is no such key; did you mean unit?",
        ),
        (
            ("[[lines]]", '[framing]\ndecimals = "point"\n[[lines]]'),
            "framing.decimals: found 'point', but there is no such key; did you mean decimal?",
        ),
        (
            ("[[lines]]", '[framing]\ndecimal = "dot"\n[[lines]]'),
            "framing.decimal: found 'dot', expected 'point' or 'comma'",
        ),
        (
            ("[[lines]]", "[link]\nbaud = 12\n[[lines]]"),
            "link.baud: found 12, expected greater than or equal to 50",
        ),
        (
            ("[[lines]]", "[link]\nstop_bits = 3\n[[lines]]"),
            "link.stop_bits: found 3.0, expected 1, 1.5 or 2",
        ),
        (
            ('"resistance"', '"resistence"'),
            "lines[0].quantity: found 'resistence', expected the name of a quantity; did you",
        ),
        (("<value>", "<vlaue>"), "lines[0]: the pattern needs a group (?P<value>…)"),
        ((" (?P<unit>Ohm)", ""), "lines[0]: give a unit, or a field unit that shows it"),
        (
            ("[0-9.]+)", "[0-9.+)"),
            "lines[0].pattern: '(?P<value>[0-9.+) (?P<unit>Ohm)' is not a",
        ),
        (('"resistance"', '"resistance"\nunit = "V"'), "lines[0]: resistance is in Ohm, not in V"),
        (
            ('"resistance"', '"resistance"\nwords = { OK = "ok" }'),
            "lines[0].words: OK: found 'ok', expected a status that needs no number",
        ),
        (
            ("(?P<unit>Ohm)", "(?P<unit>Ohm) (?P<other>X)"),
            "lines[0]: nothing says what field other is; known are ",
        ),
        (
            ("(?P<unit>Ohm)", "(?P<unit>Ohm) (?P<flags>X)"),
            "lines[0]: there is a field flags, but no flags are listed",
        ),
        (('driver = "ascii-meter"', 'driver = "scpi-lcr"'), "driver scpi-lcr needs [scpi]"),
        (
            ("[[lines]]", '[checksum]\nkind = "xor"\nform = "binary"\n[[lines]]'),
            "framing.terminator: not given, but a binary checksum needs one",
        ),
        (
            ("[[lines]]", '[checksum]\nkind = "crc16"\n[[lines]]'),
            "checksum.kind: found 'crc16', expected 'crc-16-arc', ",
        ),
        (
            ("[[lines]]", '[[accuracy]]\nquantity = "resistance"\nrange_percent = 1\n[[lines]]'),
            "accuracy[0]: range_percent needs range, or up_to as the range",
        ),
    ],
)
def test_a_fault_says_file_key_found_and_expected(change, fault):
    """One line a fault, with a hint where a key is misspelt."""
    (found,) = faults(LINES.replace(*change))
    assert found.startswith(f"meter.toml: {fault}")
    assert "\n" not in found


def test_several_faults_are_several_lines():
    """Everything that is wrong is said at once."""
    text = LINES.replace("schema_version = 1", "schema_version = 2").replace('summary = "p"', "")
    assert sorted(faults(text)) == [
        "meter.toml: schema_version: found 2, expected 1",
        "meter.toml: summary: not given, but required",
    ]


PACKED = HEAD + (
    '[packed]\nlength = 8\n[[packed.values]]\nat = 2\nsize = 4\nunit = "Ohm"\n'
    'quantity = "resistance"\n'
)


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        (("length = 8", "length = 8"), "packed: give gap_s, a start, an end or a checksum"),
        (
            ("at = 2", "at = 5"),
            "packed: values[0].at: reaches byte 8, expected at most 7",
        ),
        (
            ("size = 4", 'size = 3\nform = "float"'),
            "packed.values[0]: size: found 3, expected 4 or 8",
        ),
        (
            ("length = 8", 'length = 8\nstart = "0x"'),
            "packed.start: found '0x', expected bytes",
        ),
        (('unit = "Ohm"', ""), "packed.values[0]: give a unit, or unit_at with units"),
        (
            ('unit = "Ohm"', 'unit = "Ohm"\nuints = {}'),
            "packed.values[0].uints: found {}, but there is no such key; did you mean units?",
        ),
    ],
)
def test_a_packed_profile_that_cannot_work_is_refused(change, fault):
    """Places outside the frame, no way to find a frame, no unit."""
    text = PACKED.replace(*change)
    if "give gap_s" not in fault:
        text = text.replace("length = 8", "length = 8\ngap_s = 0.05", 1)
    (found,) = faults(text)
    assert found.startswith(f"meter.toml: {fault}")


COLUMNS = (
    HEAD
    + '[[lines]]\nwidth = 9\ncolumns = { value = [1, 5], unit = [7, 9] }\nquantity = "resistance"\n'
)


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        (("[7, 9]", "[5, 9]"), "lines[0]: columns: two of them hold character 5"),
        (("[7, 9]", "[9, 7]"), "lines[0]: columns.unit: found [9, 7], expected first ≤ last"),
        (("width = 9", "width = 8"), "lines[0]: width: found 8, expected at least 9"),
        (("width = 9", "width = 9\npattern = 'x'"), "lines[0]: give either a pattern or columns"),
    ],
)
def test_columns_that_cannot_be_are_refused(change, fault):
    """Two in one place, none at all, or beyond the width."""
    (found,) = faults(COLUMNS.replace(*change))
    assert found.startswith(f"meter.toml: {fault}")


# ── link settings ────────────────────────────────────────────────────────────────────────────


def test_link_settings_of_a_profile_fill_the_gaps_of_a_configuration():
    """Baud rate, DTR, RTS and settling come from the profile; what is configured goes before."""
    profile = parse_profile(
        HEAD
        + '[link]\nbaud = 2400\ndtr = true\nrts = false\nsettle_s = 0.3\nparity = "even"\n'
        + LINES.removeprefix(HEAD),
        "meter.toml",
    )
    link = with_defaults(SerialSettings(port="/dev/ttyUSB0", parity="none"), profile.link)
    assert (link.baud, link.dtr, link.rts, link.settle_s) == (2400, True, False, 0.3)
    assert link.parity == "none"
    tcp = with_defaults(TcpSettings(host="meter", port=4001), profile.link)
    assert tcp == TcpSettings(host="meter", port=4001)


# ── schema ───────────────────────────────────────────────────────────────────────────────────

SCHEMAS = Path(__file__).parents[3] / "schemas"


def test_the_committed_schema_is_the_models():
    """schemas/profile.v1.json is what `benchtally schema profile` prints."""
    ((name, text),) = profile_documents().items()
    assert (SCHEMAS / name).read_text("utf-8") == text
    assert json.loads(text)["$id"] == "urn:benchtally:schema:profile:1"


def test_the_profiles_in_the_manual_are_profiles():
    """What a person copies from docs/profiles.md works."""
    manual = (SCHEMAS.parent / "docs" / "profiles.md").read_text("utf-8")
    blocks = [part.split("```")[0] for part in manual.split("```toml\n")[1:]]
    smallest, several, polled = (block for block in blocks if "[[lines]]" in block)
    assert parse_profile(smallest, "manual").name == "my-meter"
    assert len(parse_profile(HEAD + several, "manual").lines[0].values) == 2
    assert parse_profile(HEAD + polled, "manual").poll.message == "FETC?\n"


def test_every_key_of_a_profile_stands_in_the_manual():
    """A key that is added is written about."""
    manual = (SCHEMAS.parent / "docs" / "profiles.md").read_text("utf-8")
    schema = json.loads((SCHEMAS / "profile.v1.json").read_text("utf-8"))
    parts = [schema, *schema["$defs"].values()]
    keys = {key for part in parts for key in part.get("properties", {})}
    assert len(keys) > 80
    missing = sorted(key for key in keys if f"`{key}`" not in manual and f"{key}" not in manual)
    assert missing == []


@pytest.mark.parametrize(
    ("pattern", "why"),
    [
        ("a{99999999999}", "the repetition number is too large"),
        ("(" * 3000 + ")" * 3000, "maximum recursion depth exceeded"),
        ("[[a]", "Possible nested set"),
        ("(", "missing )"),
    ],
)
def test_a_pattern_that_does_not_compile_is_a_fault_whatever_the_compiler_raises(pattern, why):
    (fault,) = faults(LINES + f"[identity]\nmaker = '{pattern}'\n")
    assert "identity.maker: " in fault
    assert "is not a regular expression" in fault
    assert why in fault


@pytest.mark.parametrize("value", ["[" * 5000, "9" * 5000])
def test_toml_that_breaks_its_decoder_is_a_fault(value):
    (fault,) = faults(f"x = {value}")
    assert fault.startswith("meter.toml: not TOML: ")
