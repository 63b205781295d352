"""Instruments as the workers need them, made from a configuration with its drivers and profiles."""

from functools import partial

from pydantic import ValidationError

from capture.config import Config, InstrumentConfig, LinkSettings
from capture.driver.profile.parts import LinkDefaults
from capture.errors import ConfigError, PluginError
from capture.faults import fault_lines
from capture.links import make_link
from capture.plugins import DriverRegistry, read_options
from capture.runtime import (
    Instrument,
    MessagePolicy,
    not_allowed,
    toml_string,
)


def build_instruments(config: Config, registry: DriverRegistry) -> list[Instrument]:
    """Make everything that the workers need, and find every fault before anything is opened.

    Raises:
        ConfigError: one line per fault, over all instruments.
    """
    instruments, faults = [], []
    for name, settings in config.instruments.items():
        try:
            instruments.append(_build_instrument(name, settings, config, registry))
        except ConfigError as error:
            faults += error.faults
    if faults:
        raise ConfigError(faults)
    return instruments


def _build_instrument(
    name: str, settings: InstrumentConfig, config: Config, registry: DriverRegistry
) -> Instrument:
    where = f"instruments.{name}"
    try:
        loaded = registry.get(settings.driver)
    except PluginError as error:
        raise ConfigError([f"{where}.driver: {error}"]) from error
    spec = loaded.spec
    options = read_options(spec, settings.options, f"{where}.options", config.folder)
    held_back = not_allowed(spec.messages(options), settings.allow)
    if held_back:
        listed = ", ".join(repr(message) for message in held_back)
        written = ", ".join(toml_string(message) for message in held_back)
        fault = (
            f"{where}: driver {spec.id} would send {listed}, which nobody has allowed; if it "
            f"starts no test, voltage or current, add to {where}: allow = [{written}]"
        )
        raise ConfigError([fault])
    profile = spec.profile(options)
    try:
        link = with_defaults(settings.link, profile.link if profile is not None else None)
    except ValidationError as error:
        raise ConfigError(fault_lines(error, prefix=f"{where}.link (profile)")) from error
    return Instrument(
        id=name,
        site=config.site,
        bench=config.bench,
        driver_id=spec.id,
        driver_version=loaded.version,
        profile=profile,
        make_driver=partial(spec.create, options),
        make_link=partial(make_link, link),
        policy=MessagePolicy(settings.allow),
        identity=settings.identity,
    )


def with_defaults(link: LinkSettings, defaults: LinkDefaults | None) -> LinkSettings:
    """Fill in what a configuration leaves out of a link from the profile's own settings.

    Raises:
        ValidationError: the profile has a value that this kind of link cannot take.
    """
    if defaults is None:
        return link
    given = link.model_dump(exclude_unset=True)
    fields = type(link).model_fields
    missing = {
        name: value
        for name, value in defaults.model_dump(exclude_none=True).items()
        if name in fields and name not in given
    }
    return type(link).model_validate({**given, "kind": link.kind, **missing})
