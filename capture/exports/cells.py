"""What a spreadsheet would do with a cell, and what is done against it."""

#: What a spreadsheet takes for the beginning of a formula, or of a command.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def neutral(text: str) -> str:
    """Give text that no spreadsheet runs: what looks like a formula begins with an apostrophe."""
    return f"'{text}" if text.startswith(_FORMULA) else text
