"""Requests to send entries again, from consumers that found a hole, or came late.

A request is a small JSON object on the bench's ``resend`` topic: ``id``, ``instrument``, ``first``
and ``last`` sequence number. It is answered by the same readings, same ids, same bytes, on their
own topics, and by one message on ``resent`` that says what was done.

What is published besides readings has no numbers of its own, so a consumer cannot see that one is
missing. It may ask what there is (``list_after`` an entry of the journal), and for what it lacks of
that (``first_entry`` and ``last_entry``). The list also says which sequence numbers there are: an
instrument that is silent shows no hole.

Whoever may publish there is a stranger: the form is checked to the letter, a range and the number
of requests that wait are bounded, and requests are served at a bounded rate, so that nobody can
make the bench busy with its own past.
"""

import json
from collections import OrderedDict, deque
from dataclasses import dataclass, field
from typing import Annotated, Any
from uuid import UUID

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from capture.errors import InputError
from capture.journal import JournalReader, Row
from capture.model.fields import Slug
from capture.publish.pace import Pace

LARGEST_BODY = 1024  # bytes
LONGEST_RANGE = 10_000  # readings a request
LONGEST_LIST = 500  # entries an answer
_MOST_WAITING = 8
_MOST_REMEMBERED = 256
_PER_SECOND = 2.0
_BURST = 8.0
_PAGE = 100
_PAGE_OF_OTHERS = 20  # records have tens of kilobytes
_LARGEST_SEQUENCE = (1 << 63) - 1

_Number = Annotated[int, Field(ge=1, le=_LARGEST_SEQUENCE)]


class _Asked(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore", strict=True)

    id: Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]{1,64}$")]


class Request(_Asked):
    """Readings of an instrument, by their sequence numbers."""

    instrument: Slug
    first: _Number
    last: _Number

    @model_validator(mode="after")
    def _in_bounds(self) -> "Request":
        if self.last < self.first:
            raise ValueError("last is before first")
        if self.last - self.first >= LONGEST_RANGE:
            raise ValueError(f"more than {LONGEST_RANGE} readings; ask in parts")
        return self

    def answer(self, sent: int) -> dict[str, Any]:
        """Give the members of the answer."""
        return {
            "instrument": self.instrument, "first": self.first, "last": self.last, "sent": sent
        }  # fmt: skip


class EntriesRequest(_Asked):
    """What is published besides readings, by its numbers in the journal."""

    first_entry: _Number
    last_entry: _Number

    @model_validator(mode="after")
    def _in_order(self) -> "EntriesRequest":
        if self.last_entry < self.first_entry:
            raise ValueError("last_entry is before first_entry")
        return self

    def answer(self, sent: int) -> dict[str, Any]:
        """Give the members of the answer."""
        return {"first_entry": self.first_entry, "last_entry": self.last_entry, "sent": sent}


class ListRequest(_Asked):
    """What there is after a number in the journal; nothing is sent again."""

    list_after: int = Field(ge=0, le=_LARGEST_SEQUENCE)

    def answer(self, sent: int) -> dict[str, Any]:
        """Give the members of the answer where there is no list."""
        return {"after": self.list_after, "sent": sent}


AnyRequest = Request | EntriesRequest | ListRequest


def read_request(payload: bytes, *, retained: bool) -> AnyRequest:
    """Check a request.

    Raises:
        InputError: it is none; says why in words that hold nothing of the payload.
    """
    if retained:
        raise InputError("retained: it would be asked again at every connection")
    if len(payload) > LARGEST_BODY:
        raise InputError(f"{len(payload)} bytes, more than {LARGEST_BODY}")
    model: type[AnyRequest] = Request
    try:
        said = json.loads(payload)
        if isinstance(said, dict) and "instrument" not in said:
            if "list_after" in said:
                model = ListRequest
            elif "first_entry" in said:
                model = EntriesRequest
        return model.model_validate(said)
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False)[0]
        where = "".join(f"{part}: " for part in first["loc"] if part in model.model_fields)
        raise InputError(f"{where}{first['msg']}") from error
    except (ValueError, RecursionError) as error:
        raise InputError("not JSON") from error


@dataclass(slots=True)
class Serving:
    """A request being served: pages of rows, and what has come of it."""

    request: Request | EntriesRequest
    next: int
    """The number, of a reading or of an entry, that the next page begins with."""
    rows: deque[Row] = field(default_factory=deque)
    sent: int = 0


class Resender:
    """Takes requests and gives the rows they ask for. Nothing here outlives the publisher."""

    def __init__(self, reader: JournalReader, now: float) -> None:
        self._reader = reader
        self._waiting: deque[AnyRequest] = deque()
        self._known: OrderedDict[str, None] = OrderedDict()
        self._pace = Pace(_PER_SECOND, now, _BURST)
        self._serving: Serving | None = None
        self._answers: deque[bytes] = deque()

    def take(self, payload: bytes, *, retained: bool, now: float) -> None:
        """Take a request; one that was taken already is passed over.

        Raises:
            InputError: it is not taken; says why.
        """
        if not self._pace.allows(now):
            raise InputError("too many requests")  # before anything is spent on reading it
        request = read_request(payload, retained=retained)
        if request.id in self._known:
            return
        if len(self._waiting) >= _MOST_WAITING:
            self._answer(request, 0, "too many requests wait; ask again later")
            raise InputError("too many requests wait")
        self._known[request.id] = None
        if len(self._known) > _MOST_REMEMBERED:
            self._known.popitem(last=False)
        self._waiting.append(request)

    @property
    def idle(self) -> bool:
        """Whether nothing was asked for that is not answered yet."""
        return not (self._answers or self._waiting) and self._serving is None

    @property
    def has_answer(self) -> bool:
        """Whether something is to be said on the topic of answers."""
        return bool(self._answers)

    def next_answer(self) -> bytes | None:
        """Give what is to be said on the topic of answers, if there is something."""
        return self._answers.popleft() if self._answers else None

    def next_row(self, delivered: int) -> Row | None:
        """Give the next row to send again, if there is one.

        Entries that the cursor has not passed are left out: they are on their way anyhow, and
        must not overtake.
        """
        while True:
            if self._serving is None:
                if not self._waiting:
                    return None
                request = self._waiting.popleft()
                if isinstance(request, ListRequest):
                    self._list(request, delivered)
                    continue
                first = request.first if isinstance(request, Request) else request.first_entry
                self._serving = Serving(request, first)
            serving = self._serving
            if serving.rows:
                serving.sent += 1
                return serving.rows.popleft()
            if not self._turn_page(serving, delivered):
                self._answer(serving.request, serving.sent)
                self._serving = None

    def left_out(self) -> None:
        """Hear that the row given last is not sent: it stands on the list of dead letters."""
        if self._serving is not None:
            self._serving.sent -= 1

    def _turn_page(self, serving: Serving, delivered: int) -> bool:
        """Read on; False where there is no more."""
        request = serving.request
        if isinstance(request, Request):
            if serving.next > request.last:
                return False
            end = min(serving.next + _PAGE - 1, request.last)
            found = self._reader.readings_between(request.instrument, serving.next, end)
            serving.rows.extend(row for row in found if row.n <= delivered)
            serving.next = end + 1
            return True
        last = min(request.last_entry, delivered)
        if serving.next > last or serving.sent >= LONGEST_RANGE:
            return False
        rows = self._reader.others_between(serving.next, last, _PAGE_OF_OTHERS)
        serving.rows.extend(rows)
        serving.next = rows[-1].n + 1 if rows else last + 1
        return True

    def start_over(self) -> None:
        """Serve the request that a connection broke off again from its start."""
        if self._serving is not None:
            self._waiting.appendleft(self._serving.request)
            self._serving = None

    def _list(self, request: ListRequest, delivered: int) -> None:
        """Say what there is after a number, as far as it was delivered and fits an answer.

        The hashes tell a consumer whether this is still the journal that it compared before.
        """
        reader, after = self._reader, request.list_after
        base = reader.base_n()
        found = reader.others_listed(max(after, base), delivered, LONGEST_LIST + 1)
        # Where the answer is full, what is behind its last entry is listed next.
        there_is_more = len(found) > LONGEST_LIST
        found = found[:LONGEST_LIST]
        reached = found[-1][0] if there_is_more else max(base, delivered)
        after_hash = reader.hash_at(after)
        reached_hash = reader.hash_at(reached)
        answer: dict[str, Any] = {
            "schema_version": 1,
            "request": request.id,
            "journal": reader.journal_id,
            "begins_after": base,
            "after": after,
            "after_hash": None if after_hash is None else after_hash.hex(),
            "reached": reached,
            "reached_hash": None if reached_hash is None else reached_hash.hex(),
            "entries": [[n, kind, str(UUID(bytes=key))] for n, key, kind in found],
        }
        if not there_is_more:
            answer["sequences"] = {
                instrument: list(numbers)
                for instrument, numbers in reader.sequences(delivered).items()
            }
        self._answers.append(json.dumps(answer).encode())

    def _answer(self, request: AnyRequest, sent: int, refused: str | None = None) -> None:
        answer = {"schema_version": 1, "request": request.id} | request.answer(sent)
        self._answers.append(
            json.dumps(answer | ({"refused": refused} if refused else {})).encode()
        )
