"""Requests written out by hand, as no well-behaved client sends them."""

import socket
from contextlib import contextmanager


@contextmanager
def connected(served):
    with socket.create_connection(("127.0.0.1", served.server.port), timeout=10) as raw:
        yield raw


def ask(served, target, method="GET", *headers, body=""):
    """Send a request letter for letter; give status and all that came back."""
    lines = [f"{method} {target} HTTP/1.1", "Connection: close", *headers]
    if not any(each.lower().startswith("host:") for each in headers):
        lines.append(f"Host: 127.0.0.1:{served.server.port}")
    if body:
        lines += ["Content-Type: application/json", f"Content-Length: {len(body)}"]
    with connected(served) as raw:
        raw.sendall("\r\n".join((*lines, "", body)).encode("latin-1"))
        answer = b"".join(iter(lambda: raw.recv(65536), b""))
    return int(answer.split(b" ", 2)[1]), answer


def cookie_of(client):
    ((name, value),) = client.cookies.items()
    return f"Cookie: {name}={value}"
