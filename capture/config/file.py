"""The configuration file of a bench: which one it is, and reading it whole."""

from pathlib import Path

from capture.config.settings_file import find_file, read_settings
from capture.config.whole import Config

FILE_NAME = "benchtally.toml"


def find_config(given: Path | None) -> Path:
    """Tell which file to read: the one given, ``./benchtally.toml``, or the user's own.

    Raises:
        ConfigError: none of them is there.
    """
    remedy = "; give one with --config FILE, or run `benchtally demo` to have one written"
    return find_file(FILE_NAME, given, remedy)


def load_config(given: Path | None = None) -> Config:
    """Read and check a configuration file.

    Raises:
        ConfigError: one line per fault, each with file, key path, what was found and expected.
    """
    return read_settings(Config, find_config(given))
