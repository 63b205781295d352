"""The chain and what an entry's own bytes say: all that can be checked without the other columns.

    hash(n) = SHA-256(hash(n - 1) + body(n))

Only the body is hashed, so every other column of an entry must follow from the body.
"""

import hashlib
from typing import Any, NamedTuple

from pydantic_core import from_json

#: A member that only bodies of this kind have, in the order to look for them.
_TELLING = (
    ("quantity", "reading"),
    ("event", "job"),
    ("formula", "result"),
    ("nameplate", "machine"),
    ("begin", "gap"),
    ("base", "anchor"),
    ("reading", "tag"),
    ("what", "audit"),
    ("readings", "record"),
)


class Facts(NamedTuple):
    """What an entry's columns must be, from its body."""

    id: bytes
    kind: str
    instrument: str | None
    subject: str | None
    sequence: int | None


def link(before: bytes, body: bytes) -> bytes:
    """Give the hash of an entry from the hash of the one before it."""
    return hashlib.sha256(before + body).digest()


def read_body(body: bytes) -> dict[str, Any]:
    """Read an entry's JSON.

    Raises:
        ValueError: it is no JSON object.
    """
    content = from_json(body)
    if not isinstance(content, dict):
        raise ValueError("no JSON object")  # noqa: TRY004 - one kind of fault for the caller
    return content


def facts_of(content: dict[str, Any]) -> Facts:
    """Give what the columns of the entry with this content must be.

    Raises:
        ValueError: it is of no known kind, or lacks a member.
    """
    kind = next((kind for member, kind in _TELLING if member in content), "")
    try:
        id_ = bytes.fromhex(content["id"].replace("-", ""))
        match kind:
            case "reading":
                return Facts(
                    id_, kind, content["instrument"], content["quantity"], content["sequence"]
                )
            case "tag" | "gap":
                return Facts(id_, kind, content["instrument"], None, None)
            case "machine":
                return Facts(id_, kind, None, content["machine"], None)
            case "job" | "record":
                return Facts(id_, kind, None, content["job"], None)
            case "result":
                return Facts(id_, kind, None, content.get("job"), None)
            case "anchor" | "audit":
                return Facts(id_, kind, None, None, None)
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"a {kind} without {error}") from error
    raise ValueError("of no known kind")
