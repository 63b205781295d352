"""Profiles: TOML to a profile, and a driver made of it that is given bytes.

`ConfigError` of one-line faults, or a profile that says the same when it is written and read again,
and whose driver never raises.
"""

import json
import re
from importlib import resources

from choices import Choices, cut
from legal import refused_in_words
from scratch import written
from sound import drained

from capture.driver import built_in_profiles
from capture.driver.profile import Profile, parse_profile
from capture.driver.profile.propose import look_at, pattern_of
from drivers.ascii_meter import driver as ascii_meter
from drivers.scpi_lcr import driver as lcr

MUTATIONS = 350
_LINES = b"R 842.1 mOhm\r\n 512.4 MOhm*B0E5\r\n>5.50 GOhm\r\n---\r\n"
_DRIVERS = {
    "ascii-meter": (ascii_meter, ascii_meter.AsciiMeterOptions),
    "scpi-lcr": (lcr, lcr.ScpiLcrOptions),
}


def seeds():
    """Give every built-in profile without its comments, and lines to propose one from."""
    for package in ("drivers.ascii_meter", "drivers.scpi_lcr"):
        for name in built_in_profiles(package):
            text = (resources.files(package) / "profiles" / f"{name}.toml").read_text("utf-8")
            kept = [line for line in text.splitlines() if line and not line.startswith("#")]
            yield b"\0" + "\n".join(kept).encode()
    for pattern in (b"a{99999999999}", b"(" * 900 + b")" * 900, b"[[a]"):
        yield b"\0name='x'\nidentity={maker='" + pattern + b"'}"
    yield b"\0x=" + b"[" * 3000
    yield b"\0x=" + b"9" * 3000
    yield b'\0"a\\nb" = 1'
    yield b"\1" + _LINES * 3
    yield b"\1" + b"T= 23.4 C  RH= 41.5 %\r\n" * 4


def target(data):
    """Read a profile, or propose one from lines."""
    choices = Choices(data)
    if choices.byte() & 1:
        _proposed(choices.rest())
        return
    with refused_in_words():
        text = choices.rest().decode("utf-8", "replace")
        profile = parse_profile(text, "profile x.toml")
        _same_again(profile)
        _driven(profile, text)


def _same_again(profile):
    said = profile.model_dump(mode="json", exclude_unset=True)
    assert Profile.model_validate(json.loads(json.dumps(said))) == profile


def _driven(profile, text):
    module, options = _DRIVERS.get(profile.driver, (None, None))
    if module is None:
        return
    path = written("x.toml", text.encode("utf-8", "surrogateescape"))
    module._profile.cache_clear()
    driver = module.make(options(profile=str(path)))
    now = 0.0
    list(driver.outgoing(now))
    for piece in cut(_LINES, 5):
        now += 0.3
        driver.receive(piece, False, now)
        list(driver.outgoing(now))
        drained(driver)


def _proposed(data):
    with refused_in_words():
        seen = look_at(data)
        assert seen.forms
        for form in seen.forms:
            re.compile(pattern_of(form, {}))
