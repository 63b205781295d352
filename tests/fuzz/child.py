"""One campaign in a process of its own: `python child.py NAME FINDINGS libFuzzer's arguments`.

An exception that a target lets through is a finding. It is written down once for each place that
it comes from, and the campaign goes on; libFuzzer itself ends it at a time-out or for memory.
"""

import hashlib
import logging
import os
import resource
import sys
import traceback
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import atheris
from known import OURS, load

_GUIDES = ("capture", "drivers", "simulators", "tomllib")
_ALSO = {"photos": ("PIL",)}  # else nearly every changed photo looks the same: refused
_MOST_MEMORY = 6 << 30  # of address space: what libFuzzer measures comes late


def main():
    """Run libFuzzer; never returns."""
    name, findings = sys.argv[1], Path(sys.argv[2])
    resource.setrlimit(resource.RLIMIT_AS, (_MOST_MEMORY, _MOST_MEMORY))
    os.environ = {k: v for k, v in os.environ.items() if not k.startswith("BENCHTALLY_")}  # noqa: B003 - for code that looks through os.environ
    logging.disable(logging.CRITICAL)
    with atheris.instrument_imports(include=[*_GUIDES, *_ALSO.get(name, ())]):
        module = load(name)
    seen = set()

    def once(data):
        try:
            module.target(data)
        except Exception as error:  # noqa: BLE001 - all that comes through is what is looked for
            where = _place(error)
            if where not in seen:
                seen.add(where)
                _write(findings, where, data)

    atheris.Setup([sys.argv[0], *sys.argv[3:]], once)
    atheris.Fuzz()


def _place(error):
    frames = traceback.extract_tb(error.__traceback__)
    own = [f for f in frames if any(each in f.filename for each in OURS)]
    frame = (own or frames)[-1]
    return f"{type(error).__name__} in {Path(frame.filename).name}:{frame.lineno} {frame.name}"


def _write(findings, where, data):
    findings.mkdir(parents=True, exist_ok=True)
    name = hashlib.sha1(data).hexdigest()[:12]
    (findings / f"finding-{name}").write_bytes(data)
    (findings / f"finding-{name}.txt").write_text(f"{where}\n{traceback.format_exc()}")
    print(f"FINDING {where}: {findings}/finding-{name}", file=sys.stderr, flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
