"""Profiles: what an ordinary meter needs, said in TOML instead of code."""

from capture.driver.profile.load import (
    FoundProfile,
    built_in_profiles,
    find_profile,
    find_profiles,
    load_profile,
    parse_profile,
    read_profile,
    search_path,
    user_folder,
)
from capture.driver.profile.model import Profile
from capture.driver.profile.uncertainty import StandardUncertainty, standard_uncertainty

__all__ = [
    "FoundProfile",
    "Profile",
    "StandardUncertainty",
    "built_in_profiles",
    "find_profile",
    "find_profiles",
    "load_profile",
    "parse_profile",
    "read_profile",
    "search_path",
    "standard_uncertainty",
    "user_folder",
]
