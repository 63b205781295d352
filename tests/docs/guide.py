"""Reads the commands of a guide: which terminal each is typed into, and what is seen then.

A comment above a block says what it is: `terminal: NAME` for commands that end, `terminal: NAME, stays`
for one that goes on, `typed: NAME` for lines typed into such a program, `file: NAME` for a file's text,
`not run here: REASON`. A block of the kind ``console``, ``text`` or ``toml`` without one is an error, so
that nothing is passed over by accident.
"""

import re
from dataclasses import dataclass, field

_BLOCK = re.compile(r"(?:<!-- ([^\n]*) -->\n)?```(\w+)\n(.*?)```", re.DOTALL)


@dataclass(frozen=True)
class Block:
    """One block of a guide."""

    what: str
    name: str
    stays: bool
    text: str

    @property
    def commands(self):
        """Give (command, lines seen after it) for each command."""
        found = []
        for line in self.text.splitlines():
            if line.startswith("$ "):
                found.append(Command(line[2:]))
            elif line.strip():
                found[-1].seen.append(line)
        return found


@dataclass
class Command:
    """What is typed after the prompt, and the lines that the guide shows below it."""

    typed: str
    seen: list = field(default_factory=list)


def blocks(text):
    """Give the blocks of a guide, in order."""
    made = []
    for note, kind, body in _BLOCK.findall(text):
        what, _, rest = note.partition(": ")
        assert what in {"terminal", "typed", "file", "not run here"}, (
            f"what is this block? {kind}: {body}"
        )
        name, _, stays = rest.partition(", ") if what == "terminal" else (rest, "", "")
        assert stays in {"", "stays"}, note
        made.append(Block(what, name, bool(stays), body))
    return made


def missing(seen, printed):
    """Give the first line of the guide that was not printed, in order; None where all were.

    Blanks count as one; `…`, with the blanks beside it, stands for anything.
    """
    lines = iter([" ".join(line.split()) for line in printed.splitlines()])
    for line in seen:
        parts = [re.escape(part) for part in re.split(" ?… ?", " ".join(line.split()))]
        form = re.compile(".*".join(parts))
        if not any(form.fullmatch(each) for each in lines):
            return line
    return None
