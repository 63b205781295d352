"""Finding and reading profiles."""

import os
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from pydantic import ValidationError

from capture.driver.profile.model import Profile
from capture.errors import ConfigError
from capture.faults import fault_lines
from capture.settings_text import toml_table

_LARGEST = 256 * 1024  # bytes of a profile file
_SUFFIX = ".toml"


@dataclass(frozen=True, slots=True)
class FoundProfile:
    """A profile that was found, good or faulty.

    Attributes:
        name: what a configuration names it by.
        where: its file, or the package that it is built into.
        profile: what it says; None where it is faulty.
        faults: what is wrong with it, one line each.
        hidden_by: where the profile of the same name stands that is taken instead; or empty.
    """

    name: str
    where: str
    profile: Profile | None
    faults: tuple[str, ...] = ()
    hidden_by: str = ""


def parse_profile(text: str, where: str) -> Profile:
    """Read a profile from TOML text; ``where`` is its path, for messages.

    Raises:
        ConfigError: one line per fault.
    """
    try:
        return Profile.model_validate(toml_table(text))
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([f"{where}: not TOML: {error}"]) from error
    except ValidationError as error:
        lines = fault_lines(error, model=Profile)
        raise ConfigError([f"{where}: {line}" for line in lines]) from error


def read_profile(path: Path) -> Profile:
    """Read a profile file.

    Raises:
        ConfigError: not readable, too large, or faulty.
    """
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST + 1)
        if len(content) > _LARGEST:
            raise ConfigError([f"profile {path}: larger than {_LARGEST} bytes: no profile"])
        return parse_profile(content.decode("utf-8"), str(path))
    except OSError as error:
        fault = f"profile {path}: cannot be read: {error.strerror or error}"
        raise ConfigError([fault]) from error
    except UnicodeDecodeError as error:
        raise ConfigError([f"profile {path}: not UTF-8 text (byte {error.start})"]) from error


def user_folder() -> Path:
    """Give the folder of the user's own profiles; it need not exist."""
    home = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
    return home / "benchtally" / "profiles"


def search_path() -> list[Path]:
    """List the folders that own profiles are looked for in, first to last."""
    named = os.environ.get("BENCHTALLY_PROFILES", "").split(os.pathsep)
    return [
        *(Path(part) for part in named if part),
        user_folder(),
        Path("/etc/benchtally/profiles"),
    ]


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
    names = [entry.name for entry in folder.iterdir() if entry.name.endswith(_SUFFIX)]
    return sorted(name.removesuffix(_SUFFIX) for name in names)


def find_profiles(packages: Sequence[str]) -> list[FoundProfile]:
    """List every profile on `search_path` and built into ``packages``, faulty ones included."""
    found: list[FoundProfile] = []
    taken: dict[str, str] = {}
    for name, where, read in _places(packages):
        hidden_by = taken.get(name, "")
        try:
            found.append(FoundProfile(name, where, read(), hidden_by=hidden_by))
        except ConfigError as error:
            found.append(FoundProfile(name, where, None, tuple(error.faults), hidden_by))
        taken.setdefault(name, where)
    return found


def find_profile(name: str, packages: Sequence[str]) -> Profile:
    """Give the profile of a name, whatever its driver: from `search_path`, else built in.

    Raises:
        ConfigError: there is none, or it is faulty.
    """
    for found in find_profiles(packages):
        if found.name == name and not found.hidden_by:
            if found.profile is None:
                raise ConfigError(list(found.faults))
            return found.profile
    raise ConfigError(
        [f"profile {name!r} is not known; `benchtally drivers --profiles` lists them"]
    )


def _places(packages: Sequence[str]) -> Iterator[tuple[str, str, "_Read"]]:
    for folder in dict.fromkeys(search_path()):
        try:
            paths = sorted(path for path in folder.glob(f"*{_SUFFIX}") if path.is_file())
        except OSError:
            continue  # a folder that may not be listed holds nothing that could be named
        for path in paths:
            yield path.stem, str(path), _Read(path.stem, path=path)
    for package in packages:
        for name in built_in_profiles(package):
            yield name, f"built into {package}", _Read(name, package=package)


@dataclass(frozen=True, slots=True)
class _Read:
    """Reads one profile when called; it must be called what its file is called."""

    name: str
    path: Path | None = None
    package: str = ""

    def __call__(self) -> Profile:
        """Read it.

        Raises:
            ConfigError: as for `read_profile`, or its name is not that of its file.
        """
        if self.path is not None:
            where, profile = str(self.path), read_profile(self.path)
        else:
            where = f"built-in profile {self.name}"
            file = resources.files(self.package) / "profiles" / f"{self.name}{_SUFFIX}"
            profile = parse_profile(file.read_text("utf-8"), where)
        if profile.name != self.name:
            fault = f"{where}: name: found {profile.name!r}, expected {self.name!r} as its file"
            raise ConfigError([fault])
        return profile


def _find(name: str, package: str) -> Profile:
    if name.endswith(_SUFFIX):
        return read_profile(Path(name))
    for folder in search_path():
        path = folder / f"{name}{_SUFFIX}"
        if path.is_file():
            return _Read(name, path=path)()
    known = built_in_profiles(package)
    if name in known:
        return _Read(name, package=package)()
    listed = ", ".join(known) or "none"
    fault = f"profile {name!r} is not known; built in are {listed}; or give a .toml file"
    raise ConfigError([fault])
