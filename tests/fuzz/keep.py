"""The kept corpus: the fewest inputs that reach as many lines as all of them, and every finding.

Lines are counted by the interpreter itself, so this needs nothing that is installed. Findings keep
their names and are never dropped: an input that once showed a fault is run for ever.
"""

import hashlib
import subprocess
import sys
import threading
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from known import CORPUS, FINDINGS, HERE, OURS, load

_LARGEST = 3000  # bytes of one kept input
_MOST_BYTES = 60_000  # of a target's corpus


def keep(name):
    """Write a target's corpus anew, in a process of its own; give how many inputs it has."""
    command = [sys.executable, "-P", str(HERE / "keep.py"), name]
    return int(subprocess.run(command, check=True, capture_output=True).stdout)


def main(name):
    """Choose among the kept, the seeds and what campaigns reached."""
    module = load(name)
    folder = CORPUS / name
    folder.mkdir(parents=True, exist_ok=True)
    found = [path for path in FINDINGS.glob(f"{name}/*-*") if _is_finding(path)]
    for path in found:
        target = folder / f"finding-{path.name.partition('-')[2][:12]}"
        target.write_bytes(path.read_bytes())
    inputs = set(module.seeds())
    inputs |= {path.read_bytes() for path in FINDINGS.glob(f"{name}/work/*")}
    for path in list(folder.iterdir()):
        if not path.name.startswith("finding-"):
            inputs.add(path.read_bytes())
            path.unlink()
    reached, size = set(), 0
    for data in sorted(inputs, key=lambda each: (len(each), each)):
        if len(data) > _LARGEST or size + len(data) > _MOST_BYTES:
            continue
        lines = _lines(module, data)
        if lines - reached:
            reached |= lines
            size += len(data)
            (folder / hashlib.sha1(data).hexdigest()[:12]).write_bytes(data)
    getattr(module, "close", lambda: None)()
    return len(list(folder.iterdir()))


def _is_finding(path):
    return path.suffix != ".txt" and not path.name.startswith(("log-", "slow-unit"))


def _lines(module, data):
    reached = set()

    def local(frame, event, _value):
        if event == "line":
            reached.add((frame.f_code, frame.f_lineno))
        return local

    def trace(frame, _event, _value):
        return local if any(each in frame.f_code.co_filename for each in OURS) else None

    threading.settrace(trace)
    sys.settrace(trace)
    try:
        module.target(data)
    except Exception:  # noqa: BLE001 - a finding; it is reported by whoever found it
        pass
    finally:
        sys.settrace(None)
        threading.settrace(None)
    return reached


if __name__ == "__main__":
    print(main(sys.argv[1]))  # noqa: T201 - read by whoever started this
