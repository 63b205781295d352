"""Coverage-guided campaigns against every parser of outside bytes: `make fuzz`.

    python -P tests/fuzz/run.py [--only NAME …] [--seconds 600] [--jobs 1] [--keep]

Needs the extra `fuzz`. Each target runs in a process of its own with limits of memory and time, from
the kept corpus and the target's own seeds. Findings go to tests/fuzz/findings/NAME/, which git
ignores; `--keep` puts the fewest inputs that reach as many lines, and every finding, into the kept
corpus. Ends with 1 where anything was found.
"""

import argparse
import concurrent.futures
import re
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from keep import keep
from known import CORPUS, FINDINGS, HERE, names

_LONGEST_INPUT = 4096
_MOST_SECONDS = 20  # for one input
_MOST_MEBIBYTES = 2048
_START_UP = 120
_NOTHING_LEFT = 5  # seconds that are not worth another start


@dataclass
class Outcome:
    """What a campaign came to."""

    name: str
    seconds: float = 0.0
    runs: int = 0
    edges: int = 0
    features: int = 0
    inputs: int = 0
    starts: int = 0
    findings: list[Path] = field(default_factory=list)

    def line(self):
        """Write it as a row."""
        return (
            f"{self.name:<14}{self.seconds:>7.0f} s{self.runs:>10} runs{self.edges:>7} edges"
            f"{self.features:>7} features{self.inputs:>6} inputs{len(self.findings):>4} findings"
        )


def main():
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--only", nargs="*", choices=names(), default=names(), metavar="NAME")
    parser.add_argument("--seconds", type=int, default=600, help="for each target")
    parser.add_argument("--jobs", type=int, default=1, help="targets at a time")
    parser.add_argument("--keep", action="store_true", help="put what was reached into the corpus")
    given = parser.parse_args()
    with concurrent.futures.ThreadPoolExecutor(given.jobs) as pool:
        running = [pool.submit(campaign, name, given.seconds) for name in given.only]
        outcomes = []
        for each in concurrent.futures.as_completed(running):
            outcomes.append(each.result())
            say(outcomes[-1].line())
    for outcome in outcomes:
        for path in outcome.findings:
            say(f"FOUND {path}")
        if given.keep:
            say(f"{outcome.name}: {keep(outcome.name)} inputs kept")
    sys.exit(1 if any(each.findings for each in outcomes) else 0)


def campaign(name, seconds):
    """Run one target for so long, starting again what libFuzzer ended; give the outcome."""
    outcome = Outcome(name)
    folder = FINDINGS / name
    work = folder / "work"
    work.mkdir(parents=True, exist_ok=True)
    before = set(folder.glob("*"))
    with tempfile.TemporaryDirectory(prefix="fuzz-seeds-") as seeds:
        _write_seeds(name, Path(seeds))
        (CORPUS / name).mkdir(parents=True, exist_ok=True)
        began = time.monotonic()
        while (left := seconds - (time.monotonic() - began)) > _NOTHING_LEFT:
            said = _start(name, folder, (work, CORPUS / name, Path(seeds)), int(left))
            outcome.starts += 1
            _count(outcome, said)
            (folder / f"log-{outcome.starts}").write_text(said)
            if not outcome.runs:
                raise SystemExit(f"{name} does not run:\n{said[-3000:]}")
        outcome.seconds = time.monotonic() - began
    outcome.inputs = len(list(work.iterdir()))
    new = set(folder.glob("*")) - before
    outcome.findings = sorted(
        path
        for path in new
        if path.suffix != ".txt"
        and path.name.startswith(("finding-", "timeout-", "oom-", "crash-"))
    )
    return outcome


def _write_seeds(name, folder):
    # In a process of its own: what a target imports would stay in this one.
    command = [sys.executable, "-P", str(HERE / "write_seeds.py"), name, str(folder)]
    subprocess.run(command, check=True)


def _start(name, folder, corpora, seconds):
    command = [
        sys.executable, "-P", str(HERE / "child.py"), name, str(folder),
        f"-max_total_time={seconds}", f"-max_len={_LONGEST_INPUT}", f"-timeout={_MOST_SECONDS}",
        f"-rss_limit_mb={_MOST_MEBIBYTES}", f"-artifact_prefix={folder}/", "-print_final_stats=1",
        "-use_value_profile=0", f"-dict={HERE / 'tokens.dict'}", *map(str, corpora),
    ]  # fmt: skip
    done = subprocess.run(command, check=False, capture_output=True, timeout=seconds + _START_UP)
    return done.stderr.decode("utf-8", "replace")


def _count(outcome, said):
    found = re.findall(r"stat::number_of_executed_units:\s*(\d+)", said)
    at = re.findall(r"^#(\d+)\s", said, re.MULTILINE)
    outcome.runs += int(found[-1]) if found else int(at[-1]) if at else 0
    for member, word in (("edges", "cov"), ("features", "ft")):
        numbers = re.findall(rf" {word}: (\d+)", said)
        if numbers:
            setattr(outcome, member, max(getattr(outcome, member), int(numbers[-1])))


def say(text):
    print(text, flush=True)  # noqa: T201 - a table is what this is for


if __name__ == "__main__":
    main()
