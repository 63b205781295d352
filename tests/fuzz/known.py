"""The targets there are, and the inputs that are kept for each."""

import importlib
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
CORPUS = HERE / "corpus"
OURS = ("/capture/", "/drivers/", "/simulators/")  # in the paths of what coverage is counted of
FINDINGS = HERE / "findings"  # ignored by git

if str(HERE) not in sys.path:
    sys.path.insert(0, str(HERE))


def names():
    """List the targets."""
    return sorted(path.stem for path in (HERE / "targets").glob("*.py"))


def load(name):
    """Import a target: `target(data)`, `seeds()`, `MUTATIONS`, and `close()` where it holds much."""
    return importlib.import_module(f"targets.{name}")


def kept(name):
    """Give the kept inputs of a target, with what was once found among them."""
    return [path.read_bytes() for path in sorted((CORPUS / name).glob("*")) if path.is_file()]
