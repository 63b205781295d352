"""Profiles: what an ordinary meter needs, said in TOML instead of code."""

from capture.driver.profile.load import (
    built_in_profiles,
    load_profile,
    parse_profile,
    read_profile,
    search_path,
)
from capture.driver.profile.model import Profile
from capture.driver.profile.uncertainty import StandardUncertainty, standard_uncertainty

__all__ = [
    "Profile",
    "StandardUncertainty",
    "built_in_profiles",
    "load_profile",
    "parse_profile",
    "read_profile",
    "search_path",
    "standard_uncertainty",
]
