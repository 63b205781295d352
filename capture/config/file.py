"""Finding the configuration file, reading it and checking it whole."""

import os
import tomllib
from pathlib import Path

from pydantic import ValidationError
from pydantic_settings import SettingsError

from capture.config.whole import Config
from capture.errors import ConfigError
from capture.faults import fault_lines
from capture.settings_text import toml_table

FILE_NAME = "benchtally.toml"


def find_config(given: Path | None) -> Path:
    """Tell which file to read: the one given, ``./benchtally.toml``, or the user's own.

    Raises:
        ConfigError: none of them is there.
    """
    if given is not None:
        return given
    home = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
    candidates = [Path(FILE_NAME), home / "benchtally" / FILE_NAME]
    for path in candidates:
        if path.is_file():
            return path
    fault = (
        f"no configuration: neither {candidates[0]} nor {candidates[1]} is there; "
        "give one with --config FILE, or run `benchtally demo` to have one written"
    )
    raise ConfigError([fault])


def load_config(given: Path | None = None) -> Config:
    """Read and check a configuration file.

    Raises:
        ConfigError: one line per fault, each with file, key path, what was found and expected.
    """
    path = find_config(given)
    try:
        content = toml_table(path.read_text("utf-8"))
    except OSError as error:
        raise ConfigError([f"{path}: cannot be read: {error.strerror or error}"]) from error
    except UnicodeDecodeError as error:
        raise ConfigError([f"{path}: not UTF-8 text (byte {error.start})"]) from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([f"{path}: not TOML: {error}"]) from error
    try:
        config = Config(**content)
    except ValidationError as error:
        raise ConfigError([f"{path}: {line}" for line in fault_lines(error)]) from error
    except SettingsError as error:
        raise ConfigError([f"environment: {error}; a section is given as JSON there"]) from error
    config._folder = path.parent  # noqa: SLF001 - told by whoever read the file
    return config
