"""What a member of a JSON Schema may hold, in words that fit into a cell."""

from cells import code

_BOUNDS = {
    "minimum": "≥ {}",
    "exclusiveMinimum": "> {}",
    "maximum": "≤ {}",
    "exclusiveMaximum": "< {}",
    "maxLength": "{} characters at most",
    "minItems": "at least {}",
    "maxItems": "{} at most",
}
_MOST_WORDS = 14


def shape(member, link=code):
    """Give the kind of a member, with its bounds; `link` writes the name of another definition."""
    if "$ref" in member:
        return link(member["$ref"].rpartition("/")[2])
    if "const" in member:
        return code(_value(member["const"]))
    if "enum" in member:
        words = [code(_value(each)) for each in member["enum"]]
        more = f" and {len(words) - _MOST_WORDS} more" if len(words) > _MOST_WORDS else ""
        return ", ".join(words[:_MOST_WORDS]) + more
    if several := member.get("anyOf") or member.get("oneOf"):
        return " or ".join(dict.fromkeys(shape(each, link) for each in several))
    if alone := member.get("allOf"):
        return shape(alone[0], link)
    bounds = [form.format(_value(member[name])) for name, form in _BOUNDS.items() if name in member]
    return ", ".join([_kind(member, link), *bounds])


def _kind(member, link):
    kind = member.get("type", "anything")
    if kind == "array":
        return f"list of {shape(member['items'], link)}" if member.get("items") else "list"
    if kind == "object":
        values = member.get("additionalProperties")
        return f"table of {shape(values, link)}" if isinstance(values, dict) and values else "table"
    written = member.get("format")
    if kind == "string":
        return {"uuid": "UUID", "date-time": "UTC time", "date": "day", "path": "path"}.get(
            written, "text"
        )
    return {"boolean": "true or false", "integer": "whole number", "null": "null"}.get(kind, kind)


def _value(given):
    if isinstance(given, bool):
        return str(given).lower()
    return f"{given:g}" if isinstance(given, float) and given == int(given) else str(given)
