"""The HTTP API and the pages, the application itself, without a network: any request at all.

No failure of the server, no exception; what is refused is refused by a problem document; every
answer carries the security headers; markup in a request never comes back as markup.
"""

import json
import warnings

from choices import Choices
from served import close, filled, served

MUTATIONS = 250
MARKUP = b"<x9z"
_DEEPEST = 12
#: An endless stream, asked by a target of its own.
_LEFT_OUT = ("/api/events",)
warnings.simplefilter("ignore")


def seeds():
    """Give a request to every operation, with a body that its schema allows."""
    document = served().app.openapi()
    for path, operations in document["paths"].items():
        for method, operation in operations.items():
            content = operation.get("requestBody", {}).get("content", {})
            schema = content.get("application/json", {}).get("schema")
            body = b"" if schema is None else json.dumps(_example(schema, document)).encode()
            named = [each for each in operation.get("parameters", ()) if each["in"] == "query"]
            query = "&".join(
                f"{each['name']}={_example(each['schema'], document)}" for each in named
            )
            asked = f"{method.upper()} {path}?{query}".encode()
            yield b"\0" + asked + b"\n\n" + body
            yield b"\1" + asked + b"\n\n" + body
            yield b"\0" + asked.replace(b"{", b"<x9z") + b"\naccept: text/html\n\n" + body
    for route in served().app.routes:
        if "GET" in (getattr(route, "methods", None) or ()) and not route.path.startswith("/api"):
            yield b"\0GET " + route.path.encode() + b"?q=<x9z>\n\n"
    yield b"\0GET /static/../../etc/passwd\n\n"
    for label in (b"fan-07", b"ID=FAN-07;V=400", b"<x9z", b"fan-07\nfan-08", b""):
        yield b"\0POST /api/labels\ncontent-type: application/octet-stream\n\n" + label
    yield b'\0POST /api/jobs/{job}/steps/{step}/photo\n\n{"photo": "{photo}"}'
    yield b"\0POST /api/session\ncontent-type: text/plain\n\n<x9z"
    close()


def target(data):
    """Ask once, and look at the answer."""
    choices = Choices(data)
    inside = choices.byte() & 1 == 0
    head, _, body = choices.rest().partition(b"\n\n")
    first, *lines = head.split(b"\n")
    method, _, where = first.partition(b" ")
    path, _, query = where.partition(b"?")
    bench = served()
    # A server gives a path as text; what is no UTF-8 in it, it replaces.
    path = filled(path, bench.words).encode("utf-8", "surrogateescape").decode("utf-8", "replace")
    body = filled(body, bench.words).encode("utf-8", "surrogateescape")
    if path.startswith(_LEFT_OUT):
        return
    method = method.decode("ascii", "replace")
    if method not in ("GET", "POST", "PUT", "PATCH", "DELETE", "HEAD", "OPTIONS"):
        method = "GET"
    # What is no visible ASCII in an address never comes past the server's own parser.
    query = bytes(byte for byte in query if 0x20 < byte < 0x7F)
    headers = [tuple(line.lower().split(b": ", 1)) for line in lines if b": " in line]
    status, answered, text = bench.ask(
        method, "/" + path.lstrip("/"), query, headers, body, inside=inside
    )
    kind = answered.get(b"content-type", b"")
    assert 200 <= status < 500, (status, text[:300])
    assert answered[b"x-content-type-options"] == b"nosniff"
    assert b"default-src 'none'" in answered[b"content-security-policy"]
    if status >= 400 and path.startswith("/api/") and text:
        assert kind == b"application/problem+json", (status, kind)
        told = json.loads(text)
        assert told["status"] == status
    if kind.startswith(b"text/html"):
        assert MARKUP not in text
    if inside and method == "DELETE":
        bench.log_in()  # else all that follows would meet a closed door
    if kind.startswith(b"application/json") and status != 204:
        json.loads(text)


def _example(schema, document, depth=0):
    """Give the least that a schema allows."""
    if depth > _DEEPEST:
        return None
    for word in ("anyOf", "oneOf", "allOf"):
        if word in schema:
            return _example(schema[word][0], document, depth + 1)
    if "$ref" in schema:
        found = document
        for part in schema["$ref"].split("/")[1:]:
            found = found[part]
        return _example(found, document, depth + 1)
    given = [schema[word] for word in ("const", "default") if word in schema]
    given += schema.get("enum", [])
    return given[0] if given else _plain(schema, document, depth + 1)


def _plain(schema, document, depth):
    match schema.get("type"):
        case "object":
            members = schema.get("properties", {})
            return {name: _example(members[name], document, depth) for name in members}
        case "array":
            return [_example(schema.get("items", {}), document, depth)]
        case "integer" | "number":
            return schema.get("minimum", 1)
        case "boolean":
            return False
    formats = {"uuid": "{new}", "date-time": "2026-01-05T08:00:00Z"}
    return formats.get(schema.get("format"), "fan-07")
