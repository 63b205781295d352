"""Installs the wheel as a stranger does, with and without extras, and tries every command of it.

Usage: ``python tests/bench/bare_install.py [EXTRA ...]`` (minutes; fetches packages).

Without extras: an environment with the wheel and what it depends on, nothing else. Every command that
ends by itself is run by `tests/packaging/every_command.py`; each must work, or say in one line which
extra to install. ``benchtally run`` is started and ended by a signal. Then ``pipx install`` into a
folder of its own: bare, and with each extra that is named (``all`` if none is). Exit code 1 where
anything is not as it should be.
"""

import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "packaging"))

from every_command import COMMANDS, CONFIG

HERE = Path(__file__).resolve().parent
_PLAIN = (["--help"], ["schema", "reading"], ["drivers"], ["simulate", "--list"])
_LONG = 60.0


def said(*command, **more):
    """Run a command that must succeed; give what it printed."""
    done = subprocess.run(command, capture_output=True, text=True, check=False, **more)
    if done.returncode:
        sys.exit(f"{' '.join(map(str, command))}: exit code {done.returncode}\n{done.stderr}")
    return done.stdout


def build(folder):
    said(sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", folder, HERE.parents[1])
    return next(folder.glob("benchtally-*.whl"))


def try_all(python, folder):
    """Run every command in an environment; give what is wrong."""
    script = HERE.parent / "packaging" / "every_command.py"
    ran = json.loads(said(python, "-P", script, folder))
    for done, (typed, status, extra) in zip(ran["runs"], COMMANDS, strict=True):
        asks = extra is None or f"pip install 'benchtally[{extra}]'" in done["err"]
        fits = done["status"] == status and asks and "internal error" not in done["err"]
        if not fits:
            yield f"benchtally {' '.join(typed)}: {done['status']}: {done['err'].strip()}"


def try_daemon(python, folder):
    """Start the daemon, wait for its journal, end it as a service manager does; give what is wrong."""
    (folder / "benchtally.toml").write_text(CONFIG, "utf-8")
    with (folder / "log").open("wb") as log:
        daemon = subprocess.Popen(
            [python.with_name("benchtally"), "run"], cwd=folder, stdout=log, stderr=log
        )
    end, never = time.monotonic() + _LONG, threading.Event()
    while not (folder / "bench.journal").exists() and daemon.poll() is None:
        if time.monotonic() > end:
            break
        never.wait(0.05)
    daemon.send_signal(signal.SIGTERM)
    if daemon.wait(_LONG):
        yield f"benchtally run: {daemon.returncode}: {(folder / 'log').read_text('utf-8')}"


def try_pipx(wheel, extra, folder):
    """Install with pipx; give what is wrong, and what the installed command says of itself."""
    own = {
        "PIPX_HOME": f"{folder}/home",
        "PIPX_BIN_DIR": f"{folder}/bin",
        "PIPX_MAN_DIR": f"{folder}/man",
    }
    what = f"{wheel}[{extra}]" if extra else str(wheel)
    said(folder.parent / "tools" / "bin" / "pipx", "install", what, env=os.environ | own)
    command = folder / "bin" / "benchtally"
    for arguments in _PLAIN:
        if not said(command, *arguments, cwd=folder):
            yield f"pipx, {what}: benchtally {' '.join(arguments)} prints nothing"


def main(extras):
    wrong = []
    with tempfile.TemporaryDirectory(prefix="benchtally-bare-") as name:
        folder = Path(name)
        wheel = build(folder)
        print(f"{wheel.name}, {wheel.stat().st_size} bytes")
        said(sys.executable, "-m", "venv", folder / "bare")
        python = folder / "bare" / "bin" / "python"
        said(python, "-m", "pip", "install", "-q", wheel)
        for each in ("all", "daemon"):
            (folder / each).mkdir()
        wrong += [*try_all(python, folder / "all"), *try_daemon(python, folder / "daemon")]
        print(
            f"without extras: {len(COMMANDS)} commands and the daemon tried, {len(wrong)} not as they should"
        )
        said(sys.executable, "-m", "venv", folder / "tools")
        said(folder / "tools" / "bin" / "python", "-m", "pip", "install", "-q", "pipx")
        for extra in ("", *(extras or ["all"])):
            (folder / f"pipx-{extra}").mkdir()
            found = [*try_pipx(wheel, extra, folder / f"pipx-{extra}")]
            print(f"pipx install, {extra or 'bare'}: {found or 'ok'}")
            wrong += found
    for line in wrong:
        print(f"wrong: {line}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
