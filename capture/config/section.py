"""What every section of a configuration file is."""

from pydantic import BaseModel, ConfigDict


class Section(BaseModel):
    """A table of the file: nothing in it is altered later, and no key is let through unknown."""

    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=False)
