"""Lists the licences of all that is installed with Benchtally, and holds them against a list.

Usage: ``python tests/bench/licences.py [--write docs/licences.md]``, in an environment that has the extra
``all``. Exit code 1 where a licence is not known to go with Apache-2.0.

A licence is what a package says of itself: its SPDX expression (PEP 639), else its classifiers, else
its free text where that is a name. What is compiled into a package's wheel has licences of its own,
which lie in that wheel.
"""

import argparse
import sys
from importlib import metadata
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "packaging"))

from closure import ITSELF, closure, extras

#: Licences of packages that a program under Apache-2.0 may import and be handed out beside. Permissive
#: ones; MPL-2.0 (file by file) and LGPL-3.0 (a library that the user can replace: here a package of its
#: own); OFL-1.1, of a font. Source: texts of the licences; SPDX license list for the names.
GOES_WITH = frozenset(
    {
        "0BSD", "Apache-2.0", "BSD", "BSD-2-Clause", "BSD-3-Clause", "CC0-1.0", "ISC", "LGPL-3.0-only",
        "MIT", "MIT-0", "MIT-CMU", "MPL-2.0", "OFL-1.1", "PSF-2.0", "Unlicense", "Zlib",
    }
)  # fmt: skip
#: What packages without an expression write; "BSD" is a BSD licence that does not say which.
_SAID = {
    "3-Clause BSD License": "BSD-3-Clause",
    "Apache Software License": "Apache-2.0",
    "BSD License": "BSD",
    "ISC License (ISCL)": "ISC",
    "MIT License": "MIT",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "Python Software Foundation License": "PSF-2.0",
    "SIL Open Font License 1.1 (OFL-1.1)": "OFL-1.1",
    "The Unlicense (Unlicense)": "Unlicense",
}
TOOLS = ("all", "check", "docs", "fuzz", "test")


def licence(name):
    """Give what a distribution says of its licence, as SPDX writes it; empty where it says nothing clear."""
    told = metadata.metadata(name)
    if told.get("License-Expression"):
        return told["License-Expression"]
    said = [
        c.rpartition(" :: ")[2]
        for c in told.get_all("Classifier", [])
        if c.startswith("License") and not c.endswith(":: OSI Approved")  # that names none
    ]
    if said:
        return " AND ".join(_SAID.get(each, each) for each in sorted(said))
    text = (told.get("License") or "").strip()
    return _SAID.get(text, text) if "\n" not in text else ""


def goes(expression):
    """Tell whether every part of an expression, or one of each alternative, is on the list."""
    if "(" in expression:
        return False  # nobody writes one yet; a person has to look
    return any(
        all(part in GOES_WITH for part in alternative.split(" AND "))
        for alternative in expression.split(" OR ")
    )


def groups():
    """Give (title, names) for the core and what each extra adds to it."""
    core = closure()
    yield "Without extras", sorted(core - {ITSELF})
    for extra in extras():
        if extra not in TOOLS:
            yield f"`{extra}` adds", sorted(closure((extra,)) - core)


def page():
    """Write the page: a table for each group."""
    yield from (
        "# Licences of what is installed with it",
        "",
        "Benchtally is under Apache-2.0. What it imports is installed beside it, as packages of their own. This",
        "page is written by `make licences`, with the releases that were installed then; the licences are what",
        "the packages say of themselves. Libraries that lie compiled in a package's wheel (`numpy`, `pillow`,",
        "`psycopg-binary`, `pyarrow`, …) have licences of their own, which that wheel names.",
        "",
        "`BSD` is a BSD licence whose package does not say in its metadata how many clauses it has.",
    )
    for title, names in groups():
        yield from ("", f"## {title}", "", "| package | release | licence |", "|---|---|---|")
        for name in names:
            yield f"| {name} | {metadata.version(name)} | {licence(name) or '?'} |"


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", type=Path, metavar="FILE", help="write the page")
    asked = parser.parse_args()
    text = "\n".join(page()) + "\n"
    if asked.write:
        asked.write.write_text(text, "utf-8")
    else:
        print(text, end="")
    wrong = [name for name in sorted(closure(("all",))) if not goes(licence(name))]
    for name in wrong:
        print(f"{name}: {licence(name) or 'says no licence'}: not on the list", file=sys.stderr)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
