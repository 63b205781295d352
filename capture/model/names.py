"""Names that are told to others, where a process needs them without the models."""

#: Name of the publisher that delivers to ``[broker]``.
BROKER = "broker"
#: What stands in a record for who had it made, where nobody said who. Drawn in the record's own
#: language.
NOBODY = "nobody named"


def schema_id(name: str) -> str:
    """Give the URN that identifies version 1 of a schema."""
    return f"urn:benchtally:schema:{name}:1"
