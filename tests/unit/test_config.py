"""The configuration: checked whole, one line a fault, with file, key path, found and expected."""

from pathlib import Path

import pytest

from capture.config import find_config, load_config
from capture.errors import ConfigError
from capture.instruments import build_instruments
from capture.plugins import DriverRegistry

GOOD = """
site = "sawmill"
bench = "bench-1"

[instruments.ohm-1]
driver = "scpi-meter"
link = { kind = "tcp", host = "192.0.2.10" }
"""


@pytest.fixture
def write(tmp_path):
    def make(text):
        path = tmp_path / "benchtally.toml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return make


def faults_of(path):
    with pytest.raises(ConfigError) as caught:
        load_config(path)
    for fault in caught.value.faults:
        assert fault.startswith(f"{path}: ")
        assert fault.isprintable()
    return [fault.removeprefix(f"{path}: ") for fault in caught.value.faults]


def test_a_good_file_is_read_with_its_defaults(write, tmp_path):
    config = load_config(write(GOOD))
    assert config.journal_path == tmp_path / "benchtally.journal"
    assert config.client_id == "benchtally-sawmill-bench-1"
    assert config.broker.port == 1883
    assert config.instruments["ohm-1"].link.port == 5025
    assert config.instruments["ohm-1"].allow == ()


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        ('sight = "sawmill"', "sight: found 'sawmill', but there is no such key"),
        (
            "[broker]\nport = 70000",
            "broker.port: found 70000, expected less than or equal to 65535",
        ),
        ("[broker]\nport = 'many'", "broker.port: found 'many', expected a valid integer"),
        ("[broker]\nversion = '4'", "broker.version: found '4', expected 'auto', '5' or '3.1.1'"),
        ("[broker]\nwindow = 0", "broker.window: found 0, expected greater than or equal to 1"),
        ("[journal]\npaht = 'x'", "journal.paht: found 'x', but there is no such key"),
        ("[log]\nlevel = 'loud'", "log.level: found 'loud', expected 'debug'"),
        ("[instruments.a]", "instruments.a.driver: not given, but required"),
        (
            "[instruments.'My Meter']\ndriver='scpi-meter'\nlink={kind='tcp',host='x'}",
            "instruments.My Meter: found 'My Meter', expected lower-case letters, digits and dashes",
        ),
        (
            "[instruments.a]\ndriver='scpi-meter'\nlink={kind='usb'}",
            "instruments.a.link.kind: found 'usb', expected 'serial', 'rfc2217', 'tcp', 'unix', 'usbtmc'",
        ),
        (
            "[instruments.a]\ndriver='scpi-meter'\nlink={port='/dev/ttyUSB0'}",
            "instruments.a.link.kind: not given, but required",
        ),
        (
            "[instruments.a]\ndriver='scpi-meter'\nlink={kind='serial',port='x',baud=3}",
            "instruments.a.link.baud: found 3, expected greater than or equal to 50",
        ),
        (
            "[instruments.a]\ndriver='scpi-meter'\nlink={kind='serial',port='x',stop_bits=3}",
            "instruments.a.link.stop_bits: found 3.0, expected 1, 1.5 or 2",
        ),
        (
            "[instruments.a]\ndriver='scpi-meter'\nlink={kind='tcp',host='x',port=0}",
            "instruments.a.link.port: found 0",
        ),
        (
            "[instruments.a]\ndriver='scpi-meter'\nlink={kind='tcp',host='x'}\nallow=['']",
            "instruments.a.allow: an empty message cannot be allowed",
        ),
        (
            "[web]\nhost = '192.0.2.7'",
            "web: host 192.0.2.7 is reached over a network; give tls_certificate and tls_key, or,",
        ),
        ("[web]\nhost = 'bench-1.plant.example'", "web: host bench-1.plant.example is reached"),
        (
            "[web]\nhost = '0.0.0.0'\ninsecure = true",
            "web: host 0.0.0.0 stands for every address of this computer; list in hosts",
        ),
        (
            "[web]\ntls_key = 'bench.key'",
            "web: tls_certificate and tls_key belong together; give both or neither",
        ),
        ("[web]\nhosts = ['*']", "web.hosts: found '*', expected a name or an address"),
        ("[web]\nhosts = ['b:8470']", "web.hosts: found 'b:8470', expected a name or an address"),
        ("[web]\nhosts = ['http://b']", "web.hosts: found 'http://b', expected a name"),
        ("[web]\nsession_idle_minutes = 0", "web.session_idle_minutes: found 0"),
        ("folder = '/'", "folder: found '/', but there is no such key"),
        (
            "[broker]\nhost = 'mqtt://broker'",
            "broker.host: found 'mqtt://broker', expected a name or an address alone, without blanks",
        ),
        (
            "[instruments.a]\ndriver='scpi-meter'\nlink={kind='tcp',host='192.0.2.10 '}",
            "instruments.a.link.host: found '192.0.2.10 ', expected a name or an address alone",
        ),
        ('[journal]\npath = "a\\u0000b"', "journal.path: holds a NUL character"),
        ("broker = 'x'", "broker: found 'x', expected a table"),
        (
            "[instruments.a]\ndriver='scpi-meter'\nlink={kind='tcp',host='x'}\nallow='READ?'",
            "instruments.a.allow: found 'READ?', expected a list",
        ),
        (f"x = {'9' * 5000}", "not TOML: a number is too long"),
        (f"x = {'[' * 5000}{']' * 5000}", "not TOML: nested too deeply"),
    ],
)
def test_a_fault_is_one_line_with_key_path_found_and_expected(write, line, fault):
    site, _, rest = GOOD.partition("[instruments")
    faults = faults_of(write(f"{site}\n{line}\n[instruments{rest}"))
    assert any(found.startswith(fault) for found in faults), faults


def test_every_fault_is_found_at_once(write):
    faults = faults_of(write("bench = 'B 1'\n[broker]\nport = 0\nwindow = 'x'\ncolour = 1\n"))
    assert [fault.partition(":")[0] for fault in faults] == [
        "site",
        "bench",
        "broker.port",
        "broker.window",
        "broker.colour",
    ]


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("site = ", "not TOML"),
        (b"\xff\xfe", "not UTF-8 text (byte 0)"),
        ("", "site: not given, but required"),
        ("site = 1\nsite = 2", "not TOML"),
        ("site = '\x1b[31m'\nbench='b'", "not TOML"),
        ('site = "\\u001b[31m"\nbench="b"', "site: found '\\x1b[31m', expected lower-case"),
        ('"a\\nb" = 1', "'a\\nb': found 1, but there is no such key"),
    ],
)
def test_a_file_that_cannot_be_read_says_why(write, text, fault):
    assert any(found.startswith(fault) for found in faults_of(write(text)))


def test_a_file_that_is_not_there_is_named(tmp_path):
    assert faults_of(tmp_path / "gone.toml") == ["cannot be read: No such file or directory"]
    assert faults_of(tmp_path) == ["cannot be read: Is a directory"]


def test_the_usual_places_are_looked_in_and_named(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "home"))
    with pytest.raises(ConfigError, match=r"neither benchtally\.toml nor .*give one with --config"):
        find_config(None)
    own = tmp_path / "home" / "benchtally" / "benchtally.toml"
    own.parent.mkdir(parents=True)
    own.write_text(GOOD)
    assert find_config(None) == own
    (tmp_path / "benchtally.toml").write_text(GOOD)
    assert find_config(None) == Path("benchtally.toml")
    assert find_config(Path("other")) == Path("other")


def test_the_environment_wins_over_the_file(write, monkeypatch):
    monkeypatch.setenv("BENCHTALLY_BROKER__PASSWORD", "from-outside")
    monkeypatch.setenv("BENCHTALLY_SITE", "other-site")
    config = load_config(write(GOOD + "[broker]\npassword = 'in-the-file'\nport = 1884\n"))
    assert config.password() == "from-outside"
    assert config.site == "other-site"
    assert config.broker.port == 1884


@pytest.mark.parametrize(
    ("name", "value", "key"),
    [
        ("BENCHTALLY_BROKER__PORT", "many", "broker.port"),
        ("BENCHTALLY_SITE", "A Site", "site"),
        ("BENCHTALLY_BROKER", "not-json", "broker"),
        ("BENCHTALLY_LOG", "debug", "log"),
    ],
)
def test_a_fault_in_the_environment_is_one_line_too(write, monkeypatch, name, value, key):
    monkeypatch.setenv(name, value)
    with pytest.raises(ConfigError) as caught:
        load_config(write(GOOD))
    (fault,) = caught.value.faults
    assert key in fault
    assert fault.isprintable()


def test_variables_of_other_purposes_are_no_settings(write, monkeypatch, tmp_path):
    monkeypatch.setenv("BENCHTALLY_OPERATOR", "winder")
    monkeypatch.setenv("BENCHTALLY_FOLDER", "/somewhere/else")
    assert load_config(write(GOOD)).journal_path == tmp_path / "benchtally.journal"


def test_the_password_may_stand_in_a_file_of_its_own(write, tmp_path):
    (tmp_path / "secret").write_text("from-the-file\n")
    config = load_config(write(GOOD + "[broker]\npassword_file = 'secret'\npassword = 'x'\n"))
    assert config.password() == "from-the-file"


@pytest.mark.parametrize("content", [None, b"\xff"])
@pytest.mark.parametrize(("section", "name"), [("broker", "broker"), ("brokers.office", "office")])
def test_a_password_file_that_cannot_be_read_is_named(write, tmp_path, content, section, name):
    if content is not None:
        (tmp_path / "secret").write_bytes(content)
    config = load_config(write(GOOD + f"[{section}]\npassword_file = 'secret'\n"))
    with pytest.raises(ConfigError) as caught:
        config.password(name)
    assert caught.value.faults[0].startswith(f"{section}.password_file: secret cannot be read")


def test_the_faults_of_all_instruments_are_found_before_anything_is_opened(write):
    config = load_config(
        write(
            GOOD
            + """
[instruments.a]
driver = "scpy-meter"
link = { kind = "tcp", host = "x" }
[instruments.b]
driver = "ascii-meter"
link = { kind = "tcp", host = "x" }
options = { profile = "no-such" }
[instruments.c]
driver = "scpi-meter"
link = { kind = "tcp", host = "x" }
options = { query = "READ?", intervall_s = 1 }
[instruments.d]
driver = "scpi-meter"
link = { kind = "tcp", host = "x" }
options = { query = "READ?" }
[instruments.e]
driver = "scpi-meter"
link = { kind = "tcp", host = "x" }
options = { query = "READ?" }
allow = ["READ?"]
"""
        )
    )
    with pytest.raises(ConfigError) as caught:
        build_instruments(config, DriverRegistry.load())
    faults = caught.value.faults
    assert len(faults) == 4, faults
    assert faults[0].startswith("instruments.a.driver: driver 'scpy-meter' is not known (did you")
    assert "known are ascii-meter, " in faults[0]
    assert "instruments.b.options: profile 'no-such' is not known; built in are" in faults[1]
    assert faults[2].startswith("instruments.c.options.intervall_s: there is no such option")
    assert "would send 'READ?', which nobody has allowed" in faults[3]


def test_several_brokers_by_name_with_the_unnamed_one_or_without(write):
    both = load_config(write(GOOD + "[broker]\n[brokers.office]\nport = 1884\n"))
    assert list(both.publishers) == ["broker", "office"]
    assert both.client_id_of("office") == "benchtally-sawmill-bench-1-office"
    named = load_config(write(GOOD + "[brokers.plant]\n[brokers.office]\n"))
    assert list(named.publishers) == ["plant", "office"]
    assert list(load_config(write(GOOD)).publishers) == ["broker"]
    assert faults_of(write(GOOD + "[brokers.broker]\n")) == [
        "brokers: the name broker is that of the section [broker]"
    ]


def test_tls_has_its_usual_port_and_secrets_come_from_the_environment(write, monkeypatch):
    text = GOOD + "[broker.tls]\nca = 'ca.pem'\n[brokers.plant.tls]\n[brokers.plant]\nport = 1\n"
    monkeypatch.setenv("BENCHTALLY_BROKER__TLS__KEY_PASSWORD", "kp-from-outside")
    monkeypatch.setenv("BENCHTALLY_BROKERS__PLANT__PASSWORD", "pw-from-outside")
    config = load_config(write(text))
    assert (config.broker.port, config.publishers["plant"].port) == (8883, 1)
    assert config.broker.tls.ca == Path("ca.pem")
    assert config.broker.tls.key_password == "kp-from-outside"
    assert config.publishers["plant"].password == "pw-from-outside"
    assert "from-outside" not in repr(config)
    assert faults_of(write(GOOD + "[broker.tls]\nkey = 'k'\n")) == [
        "broker.tls: key without certificate; give both"
    ]


@pytest.mark.parametrize(
    "line", ["pasword = 'zeta-7'", "password = ['zeta-7']", "tls = {key_pasword = 'zeta-7'}"]
)
def test_a_secret_under_a_wrong_key_or_of_a_wrong_type_is_not_shown(write, line):
    (fault,) = faults_of(write(GOOD + f"[broker]\n{line}\n"))
    assert "zeta-7" not in fault
    assert fault.startswith("broker.")


@pytest.mark.parametrize(
    ("web", "loopback", "others", "plain"),
    [
        ("", True, False, False),
        ("host = 'localhost'", True, False, False),
        ("host = '::1'", True, False, False),
        ("host = '127.0.0.9'\ninsecure = true", True, False, False),
        ("hosts = ['bench-1.plant.example']", True, True, False),
        ("host = '192.0.2.7'\ninsecure = true", False, True, True),
        ("host = '192.0.2.7'\ntls_certificate = 'c'\ntls_key = 'k'", False, True, False),
        ("host = '::'\nhosts = ['2001:db8::7', 'B-1']\ninsecure = true", False, True, True),
    ],
)
def test_who_is_served_and_how_follows_from_the_address(write, web, loopback, others, plain):
    site, _, rest = GOOD.partition("[instruments")
    found = load_config(write(f"{site}\n[web]\n{web}\n[instruments{rest}")).web
    assert (found.on_loopback, found.for_others, found.plain_on_network) == (
        loopback,
        others,
        plain,
    )
    assert found.names == {found.host, *(each.lower() for each in found.hosts)}
