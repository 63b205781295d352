"""The registry of drivers: finds them by entry point, one by one, each failure kept apart.

A broken package must not take the others down with it, and a driver id that two distributions
claim must not be decided by luck: the first is shown and passed over, the second is an error.
"""

import dataclasses
import difflib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from importlib import metadata
from pathlib import Path
from typing import Any, cast

import pluggy
from pydantic import TypeAdapter, ValidationError

from capture.driver import hookspecs
from capture.driver.api import API_VERSION, DriverSpec
from capture.driver.profile import Profile, find_profile, read_profile
from capture.errors import ConfigError, InputError, PluginError
from capture.faults import fault_lines, shown

_ID = re.compile(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?")


@dataclass(frozen=True, slots=True)
class LoadedDriver:
    """A driver and the distribution it came with."""

    spec: DriverSpec
    distribution: str
    version: str


@dataclass(frozen=True, slots=True)
class LoadFailure:
    """An entry point that gave no driver, and why."""

    name: str
    distribution: str
    reason: str


@dataclass
class DriverRegistry:
    """All drivers that could be loaded, by id, and what could not."""

    drivers: dict[str, LoadedDriver] = field(default_factory=dict)
    failures: list[LoadFailure] = field(default_factory=list)

    @classmethod
    def load(cls, entry_points: Iterable[metadata.EntryPoint] | None = None) -> "DriverRegistry":
        """Load every driver package that is installed.

        Raises:
            PluginError: two distributions claim the same driver id.
        """
        registry = cls()
        manager = pluggy.PluginManager(hookspecs.PROJECT)
        manager.add_hookspecs(hookspecs)
        if entry_points is None:
            entry_points = metadata.entry_points(group=hookspecs.ENTRY_POINT_GROUP)
        for point in sorted(entry_points, key=lambda point: point.name):
            registry._load_one(manager, point)
        return registry

    def get(self, driver_id: str) -> LoadedDriver:
        """Give the driver called ``driver_id``.

        Raises:
            PluginError: no such driver; says which there are and what could not be loaded.
        """
        found = self.drivers.get(driver_id)
        if found is not None:
            return found
        text = f"driver {driver_id!r} is not known"
        close = difflib.get_close_matches(driver_id, self.drivers, n=1)
        if close:
            text += f" (did you mean {close[0]!r}?)"
        text += f"; known are {', '.join(sorted(self.drivers)) or 'none'}"
        for failure in self.failures:
            text += f"; {failure.name} of {failure.distribution} could not be loaded"
        raise PluginError(text)

    @property
    def profile_packages(self) -> list[str]:
        """The packages whose built-in profiles there are."""
        return sorted({driver.spec.profiles for driver in self.drivers.values()} - {""})

    def _load_one(self, manager: pluggy.PluginManager, point: metadata.EntryPoint) -> None:
        distribution = point.dist.name if point.dist else "an unknown distribution"
        version = point.dist.version if point.dist else "0"
        try:
            specs = _announced(manager, point, distribution)
        except (Exception, SystemExit) as error:  # noqa: BLE001 - whatever a stranger's package raises stays with it
            reason = str(error) or type(error).__name__
            self.failures.append(LoadFailure(point.name, distribution, " ".join(reason.split())))
            return
        for spec in specs:
            other = self.drivers.get(spec.id)
            if other is not None:
                raise PluginError(
                    f"driver {spec.id!r} is announced by {other.distribution} and by "
                    f"{distribution}; uninstall one of the two"
                )
            self.drivers[spec.id] = LoadedDriver(spec, distribution, spec.version or version)


def _announced(
    manager: pluggy.PluginManager, point: metadata.EntryPoint, distribution: str
) -> list[DriverSpec]:
    plugin = point.load()
    name = f"{distribution}:{point.name}"
    manager.register(plugin, name=name)
    try:
        for hook in manager.get_hookcallers(plugin) or []:
            if not hook.has_spec():
                raise PluginError(f"hook {hook.name!r} is not known; implement benchtally_drivers")
        found: list[DriverSpec] = []
        for implementation in manager.hook.benchtally_drivers.get_hookimpls():
            if implementation.plugin is plugin:
                found += cast("Sequence[DriverSpec]", implementation.function())
        if not found:
            raise PluginError("announces no driver; implement the hook benchtally_drivers")
        for spec in found:
            _check(spec)
    except Exception:
        manager.unregister(plugin)
        raise
    return found


def _check(spec: object) -> None:
    if not isinstance(spec, DriverSpec):
        raise PluginError(f"announces {shown(spec)}, which is no DriverSpec")
    if not _ID.fullmatch(spec.id):
        raise PluginError(
            f"{spec.id!r} is no name for a driver; write lower-case letters, digits and dashes"
        )
    if spec.api_version != API_VERSION:
        raise PluginError(
            f"driver {spec.id!r} is made for driver interface {spec.api_version}, "
            f"this Benchtally has {API_VERSION}; install a matching version of it"
        )
    if not dataclasses.is_dataclass(spec.options):
        raise PluginError(f"driver {spec.id!r}: options must be a dataclass")


def read_options(spec: DriverSpec, raw: Mapping[str, Any], where: str, folder: Path) -> Any:
    """Make a driver's options from what a configuration says.

    ``where`` is the key path for messages; relative paths in options marked ``path`` that end in
    ``.toml`` are taken from ``folder``.

    Raises:
        ConfigError: one line per fault.
    """
    known = {each.name: each for each in dataclasses.fields(spec.options)}
    faults = []
    values = dict(raw)
    for key in raw:
        if key not in known:
            close = difflib.get_close_matches(key, known, n=1)
            hint = f"; did you mean {close[0]}?" if close else f"; known are {', '.join(known)}"
            faults.append(f"{where}.{key}: there is no such option of {spec.id}{hint}")
        elif known[key].metadata.get("path") and str(raw[key]).endswith(".toml"):
            values[key] = str(folder / str(raw[key]))
    if faults:
        raise ConfigError(faults)
    try:
        return TypeAdapter(spec.options).validate_python(values)
    except ValidationError as error:
        raise ConfigError(fault_lines(error, prefix=where)) from error
    except InputError as error:
        raise ConfigError([f"{where}.{error}"]) from error
    except ConfigError as error:
        raise ConfigError([f"{where}: {fault}" for fault in error.faults]) from error


def named_profile(name: str) -> Profile:
    """Give a profile by its name, wherever a driver's are looked for, or by its ``.toml`` path.

    Raises:
        ConfigError: there is no such profile, or it is faulty.
    """
    if name.endswith(".toml"):
        return read_profile(Path(name))
    return find_profile(name, DriverRegistry.load().profile_packages)
