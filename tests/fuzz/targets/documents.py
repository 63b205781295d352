"""Files that a person writes: configuration, nameplate, procedure, test set, the site's limits.

`ConfigError` or `InputError` in one line each, or what was written: a procedure with steps, a
judged test set whose results are numbers and can be written as JSON.
"""

import json
import math
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path

from choices import Choices
from legal import refused_in_words
from scratch import written

from capture.cli.fields import checked
from capture.cli.judge import _read as read_test_set
from capture.cli.judge import _site_limits
from capture.cli.machine import _read as read_nameplate
from capture.config import load_config
from capture.jobs.procedure import load_procedure, parse_procedure
from capture.judging import assess, records
from capture.model.machine import Nameplate

MUTATIONS = 250
_EXAMPLES = Path(__file__).resolve().parents[3] / "examples" / "judge"
_CONFIG = """site = "sawmill"
bench = "bench-1"
[journal]
path = "b.journal"
[broker]
host = "127.0.0.1"
port = 1883
[broker.tls]
ca = "ca.pem"
[web]
port = 8080
[instruments.ohm-1]
driver = "ascii-meter"
link = { kind = "serial", port = "/dev/ttyUSB0", baud = 9600 }
options = { profile = "resistance-lines" }
[instruments.lcr-1]
driver = "scpi-lcr"
link = { kind = "usbtmc", device = "usb:1234:5678" }
[equipment.ohm-1]
serial = "123"
[limits.resistance]
value = 2.0
"""
_PLATE = 'rated_volts = 400\nrated_watts = 15000\nconnection = "star"\npoles = 4\nyear = 2004\n'
_SMALL_SET = {
    "machine": {"id": "fan-07", "connection": "star", "winding": "random"},
    "steps": ["resistance"],
    "readings": [
        {"quantity": "resistance", "test_point": point, "value": value, "unit": "Ohm"}
        for point, value in (("U-V", 0.8421), ("V-W", 0.8425), ("W-U", 0.8419))
    ],
}


def seeds():
    """Give one good document of each kind, and what breaks decoders."""
    texts = [_CONFIG, _PLATE, json.dumps(_SMALL_SET), "x=" + "[" * 2000, "x=" + "9" * 4500,
             '{"x":' + "[" * 3000, '"a\\nb" = 1', '{"rated_volts": 1e999}', "[" * 3000]  # fmt: skip
    folder = resources.files("capture.jobs") / "procedures"
    texts += [each.read_text("utf-8") for each in folder.iterdir() if each.name.endswith(".toml")]
    for kind in range(len(_READERS)):
        for text in texts:
            yield bytes((kind,)) + text.encode()
    for path in sorted(_EXAMPLES.glob("*.json")):
        yield (
            b"\4" + json.dumps(json.loads(path.read_text("utf-8")), separators=(",", ":")).encode()
        )


def target(data):
    """Let one reader read a file."""
    choices = Choices(data)
    reader = choices.of(_READERS)
    with refused_in_words():
        reader(choices.rest())


def _configuration(data):
    config = load_config(written("c.toml", data))
    assert config.journal_path.is_absolute()
    assert config.publishers
    for name in config.publishers:
        assert config.client_id_of(name)


def _nameplate_toml(data):
    _nameplate(written("plate.toml", data))


def _nameplate_json(data):
    _nameplate(written("plate.json", data))


def _nameplate(path):
    plate = checked(Nameplate, read_nameplate(path), str(path))
    assert Nameplate.model_validate_json(plate.model_dump_json()) == plate


def _procedure(data):
    parsed = parse_procedure(data.decode("utf-8", "replace"), "procedure x")
    assert parsed.steps or parsed.include
    assert load_procedure(str(written("p.toml", data))).steps


def _test_set(data):
    test_set = read_test_set(written("set.json", data))
    assessment = assess(test_set)
    for named in assessment.results:
        value = named.result.value
        assert value is None or math.isfinite(value)
    now = datetime(2026, 1, 5, tzinfo=UTC)
    for each in records(assessment, machine=test_set.machine.id, time=now):
        json.dumps(each.model_dump(mode="json"), allow_nan=False)


def _limits(data):
    limits = _site_limits(written("limits.toml", data))
    test_set = read_test_set(written("set.json", json.dumps(_SMALL_SET).encode()))
    assert assess(test_set, limits).overall


_READERS = (
    _configuration, _nameplate_toml, _nameplate_json, _procedure, _test_set, _limits,
)  # fmt: skip
