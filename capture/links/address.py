"""HOST:PORT, as a person writes where an instrument is reached over the network."""

import re

_FORM = re.compile(
    r"(?:\[(?P<six>[0-9A-Fa-f:.]+(?:%[A-Za-z0-9_.-]+)?)\]|(?P<host>[^\s:/@\[\]]+))"
    r":(?P<port>[0-9]{1,5})"
)


def host_and_port(text: str) -> tuple[str, int] | None:
    """Read HOST:PORT; None for anything else.

    An address of IPv6 stands in brackets, as its colons would be taken for the one before the port
    (RFC 3986, 3.2.2); it is given without them, as sockets take it.
    """
    found = _FORM.fullmatch(text)
    return None if found is None else (found["six"] or found["host"], int(found["port"]))
