"""Writes down all that is installed with Benchtally: a bill of materials, CycloneDX 1.6 as JSON.

Usage: ``python tests/bench/sbom.py FILE`` (a minute; fetches packages).

The wheel is installed with the extra ``all`` into an environment without pip, so that nothing else is
in it. The tool that looks at it lies in another one; it validates what it writes against the schema of
CycloneDX. Then the list is held against what the metadata of the environment asks for.
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[2]
CLOSURE = REPOSITORY / "tests" / "packaging"
_LISTED = """\
import sys
from importlib.metadata import version
sys.path.insert(0, sys.argv[1])
from closure import closure
print(version("benchtally"), *closure(("all",)))
"""


def run(*command, **more):
    done = subprocess.run(command, check=False, text=True, stdout=subprocess.PIPE, **more)
    if done.returncode:
        sys.exit(f"{' '.join(map(str, command))}: exit code {done.returncode}")
    return done.stdout


def main(target):
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="benchtally-sbom-") as name:
        program, tools = Path(name) / "program", Path(name) / "tools"
        run(sys.executable, "-m", "venv", tools)
        run(sys.executable, "-m", "venv", "--without-pip", program)
        python, pip = program / "bin" / "python", (tools / "bin" / "python", "-m", "pip")
        run(*pip, "install", "-q", "cyclonedx-bom>=7", "packaging")
        run(*pip, "--python", python, "install", "-q", f"{REPOSITORY}[all]")
        # `packaging` is one of matplotlib's own needs: it is there.
        version, *wanted = run(python, "-P", "-c", _LISTED, CLOSURE).split()
        # The tool reads the version from here, and cannot ask the build tool for it.
        stated = Path(name) / "pyproject.toml"
        text = (REPOSITORY / "pyproject.toml").read_text("utf-8")
        stated.write_text(text.replace('dynamic = ["version"]', f'version = "{version}"'), "utf-8")
        run(
            tools / "bin" / "cyclonedx-py", "environment", "--pyproject", stated,
            "--mc-type", "application", "--sv", "1.6", "--of", "JSON", "--validate",
            "--output-reproducible", "-o", target, python,
        )  # fmt: skip
    made = json.loads(target.read_text("utf-8"))
    listed = {
        each["name"].lower().replace("_", "-").replace(".", "-") for each in made["components"]
    }
    if missing := sorted({*wanted} - listed - {"benchtally"}):
        sys.exit(f"not listed: {', '.join(missing)}")
    if made["metadata"]["component"]["version"] != version:
        sys.exit(f"{target}: does not say that this is version {version}")
    unlicensed = [each["name"] for each in made["components"] if not each.get("licenses")]
    print(f"{target}: CycloneDX {made['specVersion']}, valid, {len(listed)} components")
    print(f"of which without a licence: {', '.join(unlicensed) or 'none'}")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    main(Path(sys.argv[1]))
