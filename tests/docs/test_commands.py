"""Commands that pages name exist, with their options; those of the profile guide are run."""

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from capture.cli.commands import COMMANDS, built

REPOSITORY = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(Path(__file__).parent), str(REPOSITORY / "tests" / "system")]

from harness import PYTHON, Simulator  # noqa: E402 - it lies in a folder of its own

DOCS = REPOSITORY / "docs"
_WRITTEN = [
    *(path for path in DOCS.rglob("*.md") if "reference" not in path.parts),
    *(REPOSITORY / name for name in ("README.md", "DEVELOPERS.md")),
    *(REPOSITORY / "examples").rglob("*.md"),
]
_COMMAND = re.compile(r"^\s*(?:\$ )?(?:\S+ -- )?(?:\S*/)?benchtally ([a-z].*)$")


def commands_of(path):
    """Give what is typed after `benchtally` on each line of a page's blocks, fenced or indented."""
    inside = False
    for line in path.read_text("utf-8").splitlines():
        if line.lstrip().startswith("```"):
            inside = not inside
        elif (inside or line.startswith("    ")) and (found := _COMMAND.match(line)):
            yield re.split(r"\s+#|\s{3,}|\s->|\s<|\s\\$|\s\|", found[1])[0]


def fault(typed):
    """Say what of a command does not exist; None where all of it does."""
    words = [word.strip("[]") for word in shlex.split(typed)]
    if words[0] not in COMMANDS:
        return f"no command {words[0]}"
    command = built(COMMANDS[words[0]][0]).commands[words.pop(0)]
    if command.name == "record" and words[0] not in command.commands:
        words.insert(0, "make")  # `record JOB` is short for it
    while words and words[0] in getattr(command, "commands", {}):
        command = command.commands[words.pop(0)]
    if command.name == "simulate":
        return None  # its options are argparse's own; the start guide runs it
    known = {flag for each in command.params for flag in (*each.opts, *each.secondary_opts)}
    named = {word.partition("=")[0] for word in words if re.match(r"--?[a-z]", word)}
    unknown = named - known - {"--help"}
    return f"no option {', '.join(sorted(unknown))}" if unknown else None


@pytest.mark.parametrize("page", _WRITTEN, ids=lambda path: str(path.relative_to(REPOSITORY)))
def test_commands_that_a_page_shows_exist_with_their_options(page):
    wrong = {typed: found for typed in commands_of(page) if (found := fault(typed))}
    assert wrong == {}


def test_what_is_looked_for_is_found():
    assert sum(len(list(commands_of(page))) for page in _WRITTEN) > 60
    assert fault("readings --lost 3") == "no option --lost"
    assert fault("listen") == "no command listen"
    assert fault("job start fan-07 after-rewind --rotor out") is None


def test_the_quick_way_to_a_profile(tmp_path):
    """The commands of docs/profiles.md, at a simulated meter; its two listening times are cut."""
    typed = [
        shlex.split(each)
        for each in commands_of(DOCS / "profiles.md")
        if each.split()[0] in {"profile", "trace", "drivers"}
    ]
    assert [each[:2] for each in typed] == [
        ["profile", "new"],
        ["trace", "/dev/ttyUSB0"],
        ["profile", "try"],
        ["drivers", "--profiles"],
        ["profile", "try"],
    ]
    typed[0] += ["--for", "10", "--out", "my-meter.toml"]
    meter = Simulator(["talk-only", "--pty", tmp_path / "meter", "--rate", "20"], tmp_path / "out")
    said = []
    try:
        for each in typed:
            words = [{"/dev/ttyUSB0": "./meter", "10": "1", "60": "1"}.get(w, w) for w in each]
            done = subprocess.run(
                [*PYTHON, "-m", "capture.cli", *words],
                input="insulation_resistance\n" + "\n" * 20,  # Return takes what is proposed
                cwd=tmp_path,
                env={"PATH": "/usr/bin:/bin", "HOME": str(tmp_path), "COLUMNS": "160"},
                capture_output=True,
                text=True,
                check=False,
                timeout=60,
            )
            assert done.returncode == 0, (words, done.stdout, done.stderr)
            said.append(done.stdout)
    finally:
        meter.end()
    assert (tmp_path / "my-meter.toml").is_file()
    assert re.search(r"insulation_resistance.*512\.\d MOhm|51\d\.\d MOhm", said[2]), said[2]
    assert "insulation-lines" in said[3]
    assert re.search(r"5\d\d\.\d MOhm.*insulation_resistance 5\d{8} Ohm", said[4]), said[4]
