"""The bench as it is now, and a stream of what changes (server-sent events)."""

import asyncio
from collections.abc import AsyncIterable, Iterator
from contextlib import suppress
from typing import Annotated, Any
from uuid import UUID

from fastapi import APIRouter, Depends, Header, Query
from fastapi.concurrency import run_in_threadpool
from fastapi.sse import EventSourceResponse, ServerSentEvent
from pydantic_core import from_json

from capture.journal import Row
from capture.web.bench import Bench
from capture.web.problems import NotNowError, responses
from capture.web.who import CurrentSession

#: Most streams at a time.
MOST_STREAMS = 64
_PAGE = 500
_RETRY_MS = 500
#: A stream whose session has ended is closed within so many seconds.
STANDS_S = 2.0
_OF_VOLTAGE = ("applied", "discharged")
_KINDS = frozenset({"reading", "tag", "gap", "machine", "job", "result", "record"})


def make_router(bench: Bench) -> APIRouter:
    """Make the routes of the live bench."""
    router = APIRouter(prefix="/api", tags=["live"])

    @router.get("/bench")
    def get_bench() -> dict[str, Any]:
        """Give every instrument with its state and last readings, and what is waited for."""
        with bench.reader() as reader:
            last_n = reader.last_n()
            instruments = bench.instruments_now(reader)
        return {
            "site": bench.config.site,
            "bench": bench.config.bench,
            "time": bench.clock.utc(),
            "last": last_n,
            "instruments": instruments,
            "watch": bench.watch_now(),
            "insecure": bench.insecure,
        }

    def room() -> None:
        # Before the stream has begun: afterwards no status can be told.
        if bench.changes.count() >= MOST_STREAMS:
            raise NotNowError(f"{MOST_STREAMS} streams are open, which is the most; close one")

    @router.get(
        "/events",
        response_class=EventSourceResponse,
        responses=responses(400, 503),
        dependencies=[Depends(room)],
    )
    async def stream_events(
        session: CurrentSession,
        after: Annotated[int | None, Query(ge=0, lt=1 << 62)] = None,
        job: UUID | None = None,
        last_event_id: Annotated[str | None, Header()] = None,
    ) -> AsyncIterable[ServerSentEvent]:
        """Stream what changes, from the entry ``after`` (else from now on).

        Events: ``reading`` (of each instrument and quantity the newest, where they come thick),
        ``tag``, ``gap``, ``machine``, ``job``, ``result`` with the entry's number as id;
        ``instrument`` and ``watch`` when they change. With ``job``, entries of other jobs are left
        out, but those of a test voltage and its discharge: they lock every job of the machine.
        """
        cursor = after
        if last_event_id is not None and last_event_id.isascii() and last_event_id.isdigit():
            cursor = int(last_event_id[:18])
        stream = _Stream(bench, job, cursor)
        news = bench.changes.join()
        try:
            yield ServerSentEvent(comment="benchtally", retry=_RETRY_MS)
            while not bench.changes.closed and bench.access.stands(session):
                for event in await run_in_threadpool(stream.look):
                    yield event
                with suppress(TimeoutError):
                    async with asyncio.timeout(STANDS_S):
                        await news.wait()
                news.clear()
        finally:
            bench.changes.leave(news)

    return router


class _Stream:
    """What one client has been told."""

    def __init__(self, bench: Bench, job: UUID | None, cursor: int | None) -> None:
        self._bench = bench
        self._job = None if job is None else str(job)
        self._cursor = cursor
        self._told: dict[str, Any] = {}

    def look(self) -> list[ServerSentEvent]:
        """Give what is new."""
        events: list[ServerSentEvent] = []
        with self._bench.reader() as reader:
            if self._cursor is None:
                self._cursor = reader.last_n()
            while rows := reader.after(self._cursor, _PAGE):
                events += self._entries(rows)
                self._cursor = rows[-1].n
                if len(events) >= _PAGE:
                    break  # the rest at the next look, so that nobody holds a million in memory
        events += self._states()
        return events

    def _entries(self, rows: list[Row]) -> Iterator[ServerSentEvent]:
        newest = {(row.instrument, row.subject): row.n for row in rows if row.kind == "reading"}
        for row in rows:
            if row.kind not in _KINDS:
                continue
            if row.kind == "reading" and newest[row.instrument, row.subject] != row.n:
                continue
            of_job = row.kind in ("job", "result", "record")
            if self._job and of_job and row.subject != self._job and not _is_of_voltage(row):
                continue
            yield ServerSentEvent(event=row.kind, id=str(row.n), raw_data=row.body.decode("utf-8"))

    def _states(self) -> Iterator[ServerSentEvent]:
        watch = self._bench.watch_now()
        if self._told.get("watch") != watch:
            self._told["watch"] = watch
            yield ServerSentEvent(event="watch", data=watch)
        for state in self._bench.instruments():
            key = f"instrument {state['instrument']}"
            if self._told.get(key) != state:
                self._told[key] = state
                yield ServerSentEvent(event="instrument", data=state)


def _is_of_voltage(row: Row) -> bool:
    """Tell whether an entry says that a test voltage was on a winding, or that it is discharged."""
    try:
        return row.kind == "job" and from_json(row.body)["event"]["action"] in _OF_VOLTAGE
    except (ValueError, TypeError, KeyError):
        return False  # an entry that cannot be read; whoever verifies the journal is told
