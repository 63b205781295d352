"""Finding and reading profiles."""

import os
import tomllib
from importlib import resources
from pathlib import Path

from pydantic import ValidationError

from capture.driver.faults import fault_lines
from capture.driver.profile.model import Profile
from capture.errors import ConfigError


def parse_profile(text: str, where: str) -> Profile:
    """Read a profile from TOML text; ``where`` is its path, for messages.

    Raises:
        ConfigError: one line per fault.
    """
    try:
        return Profile.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([f"{where}: not TOML: {error}"]) from error
    except ValidationError as error:
        raise ConfigError([f"{where}: {line}" for line in fault_lines(error)]) from error


def search_path() -> list[Path]:
    """List the folders that own profiles are looked for in, first to last."""
    named = [Path(part) for part in os.environ.get("BENCHTALLY_PROFILES", "").split(":") if part]
    home = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
    return [*named, home / "benchtally" / "profiles", Path("/etc/benchtally/profiles")]


def load_profile(name: str, package: str, driver: str) -> Profile:
    """Find and read a profile of ``driver``, by path (ends in ``.toml``) or by name.

    A name is looked for on `search_path` and then in the folder ``profiles`` of ``package``.

    Raises:
        ConfigError: not found (lists what is there), not readable, faulty, or another driver's.
    """
    profile = _find(name, package)
    if profile.driver != driver:
        raise ConfigError([f"profile {name} is for driver {profile.driver}, not for {driver}"])
    return profile


def built_in_profiles(package: str) -> list[str]:
    """List the names of the profiles that a driver package brings along."""
    folder = resources.files(package) / "profiles"
    if not folder.is_dir():
        return []
    names = [entry.name for entry in folder.iterdir() if entry.name.endswith(".toml")]
    return sorted(name.removesuffix(".toml") for name in names)


def _find(name: str, package: str) -> Profile:
    if name.endswith(".toml"):
        return read_profile(Path(name))
    for folder in search_path():
        path = folder / f"{name}.toml"
        if path.is_file():
            return read_profile(path)
    built_in = resources.files(package) / "profiles" / f"{name}.toml"
    if built_in.is_file():
        return parse_profile(built_in.read_text("utf-8"), f"built-in profile {name}")
    known = ", ".join(built_in_profiles(package)) or "none"
    raise ConfigError(
        [f"profile {name!r} is not known; built in are {known}; or give a .toml file"]
    )


def read_profile(path: Path) -> Profile:
    """Read a profile file.

    Raises:
        ConfigError: not readable, or faulty.
    """
    try:
        return parse_profile(path.read_text("utf-8"), str(path))
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError([f"profile {path}: cannot be read: {error}"]) from error
