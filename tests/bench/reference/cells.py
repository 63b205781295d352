"""What all pages of the reference share: tables, and text that must stay text in Markdown."""

import re

MADE = "<!-- Made by `make reference` from the source; what is changed here is lost. -->"


def one_line(text):
    """Give text on one line, with nothing that Markdown or a browser takes for markup."""
    joined = " ".join((text or "").split())
    # Docstrings set code in double back-quotes; Markdown in single ones.
    joined = joined.replace("``", "`")
    parts = re.split(r"(`[^`]*`)", joined)
    parts[::2] = [re.sub(r"([<>*\[\]])", r"\\\1", each) for each in parts[::2]]
    return "".join(parts).replace("|", "\\|")


def code(text):
    """Give text as code, in a cell of a table too; nothing for no text."""
    shown = str(text).replace("|", "\\|")
    return f"`{shown}`" if shown else ""


def table(heads, rows):
    """Give a table; cells are Markdown already."""
    lines = [f"| {' | '.join(heads)} |", f"|{'---|' * len(heads)}"]
    return "\n".join([*lines, *(f"| {' | '.join(cell or '' for cell in row)} |" for row in rows)])
