"""Settings that stand in a file of TOML, with the environment over it."""

import os
import tomllib
from pathlib import Path
from typing import TypeVar

from pydantic import PrivateAttr, ValidationError
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsError

from capture.errors import ConfigError
from capture.faults import fault_lines
from capture.settings_text import toml_table


class FileSettings(BaseSettings):
    """Settings of one file."""

    # Folder of the file; relative paths in it start there.
    _folder: Path = PrivateAttr(default_factory=Path)

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Let the environment win over the file, and take nothing else."""
        del settings_cls, dotenv_settings, file_secret_settings
        return env_settings, init_settings

    def whole(self, path: Path | None) -> Path | None:
        """Give a path as it stands in the file as an absolute one; None for none."""
        return None if path is None else (self._folder / path).absolute()


_Settings = TypeVar("_Settings", bound=FileSettings)


def find_file(name: str, given: Path | None, remedy: str = "") -> Path:
    """Tell which file to read: the one given, one of this name here, or the user's own.

    ``remedy`` ends the sentence that says that there is none.

    Raises:
        ConfigError: none of them is there.
    """
    if given is not None:
        return given
    home = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
    candidates = [Path(name), home / "benchtally" / name]
    for path in candidates:
        if path.is_file():
            return path
    fault = f"no configuration: neither {candidates[0]} nor {candidates[1]} is there{remedy}"
    raise ConfigError([fault])


def read_settings(kind: type[_Settings], path: Path) -> _Settings:
    """Read a file of settings, and the environment over it; relative paths start at the file.

    Raises:
        ConfigError: one line per fault, each with file, key path, what was found and expected.
    """
    try:
        content = toml_table(path.read_text("utf-8"))
    except OSError as error:
        raise ConfigError([f"{path}: cannot be read: {error.strerror or error}"]) from error
    except UnicodeDecodeError as error:
        raise ConfigError([f"{path}: not UTF-8 text (byte {error.start})"]) from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([f"{path}: not TOML: {error}"]) from error
    try:
        settings = kind(**content)
    except ValidationError as error:
        raise ConfigError([f"{path}: {line}" for line in fault_lines(error)]) from error
    except SettingsError as error:
        raise ConfigError([f"environment: {error}; a section is given as JSON there"]) from error
    settings._folder = path.parent  # noqa: SLF001 - told by whoever read the file
    return settings
