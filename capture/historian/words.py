"""What benches say besides entries: their state, and their answers to our questions.

Like all that comes over the broker it is a stranger's text until it is checked.
"""

import re
from itertools import pairwise
from typing import Annotated, Literal, Self
from uuid import UUID

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError, model_validator

from capture.historian.intake import UnfitMessage
from capture.model.fields import Slug
from capture.publish.resend import LONGEST_LIST
from capture.publish.topics import ROOT

#: Shared between slots, as entries are: whoever gets an answer writes it down.
ANSWERS = f"{ROOT}/+/+/resent"
#: Heard by one slot only, in the order in which a bench says them; the broker keeps the newest.
STATES = f"{ROOT}/+/+/state"

_SLUG = TypeAdapter[str](Slug)
_LIST = re.compile(rb'"entries"\s*:')  # no other answer has this member
_PARTS = 5  # benchtally/v1/SITE/BENCH/KIND
_MOST_INSTRUMENTS = 10_000

# Half of what a bigint holds: whoever reads adds to it.
_Number = Annotated[int, Field(ge=0, le=1 << 62)]
_Hash = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
_Range = tuple[_Number, _Number]
_Entry = tuple[_Number, Literal["gap", "record", "result", "tag"], UUID]


class _Said(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")

    schema_version: Literal[1]


class _Head(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")

    n: _Number


class StateWord(_Said):
    """How a bench is."""

    state: Literal["online", "offline"]
    journal: UUID
    head: _Head | None = None
    dead_letters: Annotated[int, Field(ge=0, le=(1 << 31) - 1)] = 0


class ListWord(_Said):
    """What a bench has, besides readings, after a number in its journal."""

    request: str
    journal: UUID
    begins_after: _Number
    after: _Number
    after_hash: _Hash | None
    reached: _Number
    reached_hash: _Hash | None
    entries: Annotated[list[_Entry], Field(max_length=LONGEST_LIST)]
    sequences: Annotated[dict[Slug, _Range], Field(max_length=_MOST_INSTRUMENTS)] | None = None
    """First and last of each instrument; None where the list goes on."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        numbers = [max(self.after, self.begins_after), *(n for n, _, _ in self.entries)]
        if any(one >= other for one, other in pairwise(numbers)):
            raise ValueError("entries are not in order")
        if self.entries and numbers[-1] > self.reached:
            raise ValueError("an entry behind the last one that it reached")
        return self


class DoneWord(_Said):
    """What a bench has sent again; members that only one kind of request has are left out here."""

    instrument: Slug | None = None
    first: _Number = 0
    last: _Number = 0
    sent: _Number


Word = StateWord | ListWord | DoneWord
#: Site, bench, and what it said.
Heard = tuple[str, str, Word]


def word_of(topic: str, payload: bytes) -> Heard | None:
    """Read what a bench said; None where the topic is of something else.

    Raises:
        UnfitMessage: it is not what such a message must be; says why.
    """
    parts = topic.split("/")
    if len(parts) != _PARTS or parts[4] not in ("state", "resent"):
        return None
    model: type[Word] = StateWord
    if parts[4] == "resent":
        model = ListWord if _LIST.search(payload) else DoneWord
    try:
        site, bench = _SLUG.validate_python(parts[2]), _SLUG.validate_python(parts[3])
        return site, bench, model.model_validate_json(payload, strict=True)
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise UnfitMessage(f"{where}: {first['msg']}" if where else first["msg"]) from error
