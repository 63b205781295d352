"""Requests to send readings again, from consumers that found a hole in the sequence numbers.

A request is a small JSON object on the bench's ``resend`` topic: ``id``, ``instrument``, ``first``
and ``last`` sequence number. It is answered by the same readings, same ids, same bytes, on their
own topics, and by one message on ``resent`` that says what was done.

Whoever may publish there is a stranger: the form is checked to the letter, a range and the number
of requests that wait are bounded, and requests are served at a bounded rate, so that nobody can
make the bench busy with its own past.
"""

import json
from collections import OrderedDict, deque
from dataclasses import dataclass, field
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from capture.errors import InputError
from capture.journal import JournalReader, Row
from capture.model.fields import Slug
from capture.publish.pace import Pace

LARGEST_BODY = 1024  # bytes
LONGEST_RANGE = 10_000  # readings a request
_MOST_WAITING = 8
_MOST_REMEMBERED = 256
_PER_SECOND = 2.0
_BURST = 8.0
_PAGE = 100
_LARGEST_SEQUENCE = (1 << 63) - 1


class Request(BaseModel):
    """What a consumer asks for."""

    model_config = ConfigDict(frozen=True, extra="ignore", strict=True)

    id: Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]{1,64}$")]
    instrument: Slug
    first: int = Field(ge=1, le=_LARGEST_SEQUENCE)
    last: int = Field(ge=1, le=_LARGEST_SEQUENCE)

    @model_validator(mode="after")
    def _in_bounds(self) -> "Request":
        if self.last < self.first:
            raise ValueError("last is before first")
        if self.last - self.first >= LONGEST_RANGE:
            raise ValueError(f"more than {LONGEST_RANGE} readings; ask in parts")
        return self


def read_request(payload: bytes, *, retained: bool) -> Request:
    """Check a request.

    Raises:
        InputError: it is none; says why in words that hold nothing of the payload.
    """
    if retained:
        raise InputError("retained: it would be asked again at every connection")
    if len(payload) > LARGEST_BODY:
        raise InputError(f"{len(payload)} bytes, more than {LARGEST_BODY}")
    try:
        return Request.model_validate(json.loads(payload))
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False)[0]
        where = "".join(f"{part}: " for part in first["loc"] if part in Request.model_fields)
        raise InputError(f"{where}{first['msg']}") from error
    except (ValueError, RecursionError) as error:
        raise InputError("not JSON") from error


@dataclass(slots=True)
class Serving:
    """A request being served: pages of rows, and what has come of it."""

    request: Request
    next: int
    rows: deque[Row] = field(default_factory=deque)
    sent: int = 0


class Resender:
    """Takes requests and gives the rows they ask for. Nothing here outlives the publisher."""

    def __init__(self, reader: JournalReader, now: float) -> None:
        self._reader = reader
        self._waiting: deque[Request] = deque()
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
                self._serving = Serving(request, request.first)
            serving = self._serving
            if serving.rows:
                serving.sent += 1
                return serving.rows.popleft()
            if serving.next > serving.request.last:
                self._answer(serving.request, serving.sent)
                self._serving = None
                continue
            end = min(serving.next + _PAGE - 1, serving.request.last)
            found = self._reader.readings_between(serving.request.instrument, serving.next, end)
            serving.rows.extend(row for row in found if row.n <= delivered)
            serving.next = end + 1

    def start_over(self) -> None:
        """Serve the request that a connection broke off again from its start."""
        if self._serving is not None:
            self._waiting.appendleft(self._serving.request)
            self._serving = None

    def _answer(self, request: Request, sent: int, refused: str | None = None) -> None:
        answer = {"schema_version": 1, "request": request.id, "instrument": request.instrument}
        answer |= {"first": request.first, "last": request.last, "sent": sent}
        self._answers.append(
            json.dumps(answer | ({"refused": refused} if refused else {})).encode()
        )
