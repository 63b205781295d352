"""Field types that several models share: bounded text, names that fit a topic, UTC stamps."""

from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field, PlainSerializer

from capture.model.described import Described
from capture.model.quantity import NAME_PATTERN
from capture.model.units import UNIT_CODES


def rfc3339(moment: datetime) -> str:
    """Write a UTC stamp with six decimals always, so that stamps sort as text."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def _in_utc(moment: datetime) -> datetime:
    try:
        return moment.astimezone(UTC)
    except OverflowError:
        # Some hours before the year 1, or after 9999: a text from outside may say so.
        raise ValueError("no moment that there is in UTC") from None


def as_utc(moment: datetime) -> datetime:
    """Give a moment in UTC; one without a zone is taken for UTC.

    Raises:
        ValueError: it lies before the year 1 or after the year 9999 in UTC.
    """
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else _in_utc(moment)


Utc = Annotated[
    AwareDatetime,
    AfterValidator(_in_utc),
    PlainSerializer(rfc3339, return_type=str, when_used="json"),
]

#: An id that can stand in an MQTT topic, a file name and a URL as it is.
Slug = Annotated[str, Field(pattern=r"^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$")]

#: Members that mean the same in every schema, and are described once.
SchemaVersion = Annotated[
    Literal[1], Field(description="Version of the schema, as at the end of its ``$id``.")
]
Site = Annotated[Slug, Field(description="Site that the bench belongs to, as in the topics.")]
Bench = Annotated[Slug, Field(description="Bench that it comes from, as in the topics.")]

#: A line that a person typed or a label shows; no control characters, so no terminal escapes.
Line = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f-\x9f]*$")]

#: What a machine is called on its label.
MachineId = Annotated[str, Field(pattern=r"^[A-Za-z0-9]([A-Za-z0-9._/ -]{0,62}[A-Za-z0-9])?$")]

QuantityName = Annotated[str, Field(pattern=NAME_PATTERN)]


def _is_unit_code(code: str) -> str:
    if code not in UNIT_CODES:
        raise ValueError(f"found {code!r}, expected one of {', '.join(UNIT_CODES)}")
    return code


UnitCode = Annotated[
    str,
    Field(json_schema_extra={"enum": list(UNIT_CODES)}, max_length=8),
    AfterValidator(_is_unit_code),
]

Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


def is_none(value: Any) -> bool:
    """Tell whether a member is left out of the JSON text."""
    return value is None


def is_unknown(value: Any) -> bool:
    """Tell whether a choice that nobody made is left out of the JSON text."""
    return bool(value == "unknown")


def is_empty(value: Any) -> bool:
    """Tell whether a list or map is left out of the JSON text."""
    return not value


class Model(Described, BaseModel):
    """Base of all that is stored or published: frozen; unknown members are passed over."""

    model_config = ConfigDict(
        frozen=True,
        extra="ignore",
        allow_inf_nan=False,
        revalidate_instances="never",
    )
