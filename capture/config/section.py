"""What every section of a configuration file is."""

from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, field_validator


class Section(BaseModel):
    """A table of the file: nothing in it is altered later, and no key is let through unknown."""

    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=False)

    @field_validator("*")
    @classmethod
    def _without_nul(cls, value: object) -> object:
        if isinstance(value, str | Path) and "\0" in str(value):
            raise ValueError("holds a NUL character, which no name and no path may")
        return value


#: What stands where a computer is named; blanks and `mqtt://` are met most.
Host = Annotated[str, Field(min_length=1, max_length=255, pattern=r"^[^\s/@]+$")]
