"""What the parameters of the HTTP API are, for its description.

One name means one thing wherever it stands, so it is said once, by name, and put in when the
description is made. Where a name means something else, the path stands before it.
"""

from typing import Any

_TOLD = {
    "after": "Number of an entry: only what comes behind it; without it, what comes from now on.",
    "before": "``next`` of the page before; without it, the newest.",
    "decimal": "Decimal mark of CSV.",
    "first": "Id of the job that the other is held against.",
    "form": "Form of the file, as its ending.",
    "instrument": "Of this instrument only, by its name on the bench.",
    "job": "Id of the job.",
    "language": "Language of the record, as en or de; without it, the configured one.",
    "last-event-id": "Number of the last event that was received, as a browser sends it by itself.",
    "/api/jobs limit": "Jobs of one page, at most.",
    "/api/readings limit": "Readings of one page, at most.",
    "machine": "Name of the machine, as on its label.",
    "name": "Name of the procedure.",
    "paper": "Paper of a PDF; without it, the configured one.",
    "quantity": "Of this quantity only.",
    "reading": "Id of the reading.",
    "second": "Id of the job that is held against it.",
    "sha256": "SHA-256 of the photo, as it was given when the photo was handed in.",
    "since": "From this moment on; UTC where it has no zone.",
    "step": "Name of the step, in its job's procedure.",
    "until": "Before this moment; UTC where it has no zone.",
    "/api/trends/{machine} until": "Id of the last job that counts; without it, all count.",
    "version": "Version of the record; without it, the newest.",
    "what": "What the file holds.",
}


def describe_parameters(document: dict[str, Any]) -> None:
    """Put in what each parameter of an OpenAPI document is.

    Raises:
        KeyError: a parameter that nobody has described.
    """
    for path, operations in document["paths"].items():
        for operation in operations.values():
            for each in operation.get("parameters", ()):
                name = each["name"]
                each["description"] = _TOLD.get(f"{path} {name}") or _TOLD[name]
