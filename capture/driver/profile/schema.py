"""The open JSON Schema (2020-12) of profiles.

It describes a profile's TOML after it was read into tables and lists. What JSON Schema cannot say
(that a pattern has the groups that are spoken of, that a unit fits its quantity) is checked when
the profile is loaded.
"""

from typing import Any

from capture.driver.profile.model import Profile
from capture.model.schemas import document, text_of

NAME = "profile"


def profile_schema() -> dict[str, Any]:
    """Generate the schema."""
    return document(NAME, Profile)


def profile_documents() -> dict[str, str]:
    """Generate the schema as the text of its file in ``schemas/``."""
    return {f"{NAME}.v1.json": text_of(profile_schema())}
