"""Who acts: whoever the session belongs to. No header and no body says it."""

from typing import Annotated

from fastapi import Depends, Request

from capture.access.sessions import Session
from capture.web.door import SESSION


def _session(request: Request) -> Session:
    # The door lets nobody come here without one; where it is missing, this fails.
    session: Session = request.scope[SESSION]
    return session


def _operator(session: Annotated[Session, Depends(_session)]) -> str:
    return session.operator


#: The session, for whatever needs more of it than the name.
CurrentSession = Annotated[Session, Depends(_session)]
#: The operator, for every operation that writes.
Operator = Annotated[str, Depends(_operator)]
