"""HTTP/1.1 for a server that strangers can reach: who says nothing is not waited for."""

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol, RequestResponseCycle

#: Seconds in which the head of a request must have come, and most connections.
HEAD_S = 10.0
MOST_CONNECTIONS = 240
MOST_OF_ONE = 120


class PatientProtocol(H11Protocol):
    """Closes connections that bring no whole request head in time, and those that are too many.

    The server below ends idle connections only after their first answer; one that never asks, or
    asks a letter at a time, would be held for ever, and with it a place.
    """

    _head_timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """Take a connection, or refuse it where there are too many."""
        super().connection_made(transport)
        mine = _peer(self)
        same = sum(_peer(each) == mine for each in self.connections)
        if len(self.connections) > MOST_CONNECTIONS or same > MOST_OF_ONE:
            transport.abort()
            return
        self._await_head()

    def connection_lost(self, exc: Exception | None) -> None:
        """Let a connection go."""
        self._stop_waiting()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take bytes; a head that is whole is waited for no longer."""
        before = self.cycle
        super().data_received(data)
        if self.cycle is not before:
            self._stop_waiting()
        elif self._head_timer is None and _is_between(before):
            self._await_head()

    def on_response_complete(self) -> None:
        """Begin to wait for the next request, of which a part may be here already."""
        super().on_response_complete()
        if _is_between(self.cycle) and not self.transport.is_closing():
            self._await_head()

    def _await_head(self) -> None:
        self._stop_waiting()
        self._head_timer = self.loop.call_later(HEAD_S, self._give_up)

    def _stop_waiting(self) -> None:
        if self._head_timer is not None:
            self._head_timer.cancel()
            self._head_timer = None

    def _give_up(self) -> None:
        self._head_timer = None
        if _is_between(self.cycle):
            self.transport.abort()


def _peer(connection: Any) -> str:
    client = getattr(connection, "client", None)
    return str(client[0]) if client else ""


def _is_between(cycle: RequestResponseCycle | None) -> bool:
    """Tell whether no request is being answered."""
    return cycle is None or cycle.response_complete
