"""Commands forked from a process that has imported everything: as real as others, and much quicker.

Each command is a process of its own with its own streams, folder, exit code and locks; what it
shares with the others is what Python had imported. Half of a short command's time is importing, and
the tests here run some hundred of them. What a fresh start is about (signals, terminals, a faked
clock) is not run this way.
"""

import atexit
import functools
import importlib
import json
import os
import select
import signal
import socket
import subprocess
import sys
import tempfile
from pathlib import Path

LONGEST = 60.0

# What commands import when they are run.
_MODULES = (
    "capture.cli.main",
    "capture.discovery",
    "capture.doctor.examine",
    "capture.jobs.setup",
    "capture.journal.verify",
    "capture.journal.trim",
    "capture.photo.store",
    "capture.publish.letters",
)


def run(arguments, given=""):
    """Run `benchtally` with these arguments; give exit code, output and errors."""
    with tempfile.TemporaryDirectory() as folder:
        files = {name: str(Path(folder, name)) for name in ("in", "out", "err")}
        Path(files["in"]).write_text(given, "utf-8")
        with socket.socket(socket.AF_UNIX) as asking:
            asking.settimeout(LONGEST)
            asking.connect(_server())
            request = {"arguments": [*map(str, arguments)], "folder": str(Path.cwd()), **files}
            request["environment"] = dict(os.environ)
            asking.sendall(json.dumps(request).encode() + b"\n")
            code = int(asking.makefile().readline())
        said, complained = (Path(files[name]).read_text("utf-8") for name in ("out", "err"))
    return subprocess.CompletedProcess(list(arguments), code, said, complained)


@functools.cache
def _server():
    """Start the process, once for all tests of this one; give its address."""
    folder = tempfile.TemporaryDirectory(prefix="warm-")
    address = str(Path(folder.name, "socket"))
    server = subprocess.Popen(
        [sys.executable, "-P", __file__, address],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        start_new_session=True,
    )

    def end():
        server.stdin.close()
        server.stdout.close()
        server.wait(LONGEST)
        folder.cleanup()

    atexit.register(end)
    assert server.stdout.readline() == b"ready\n", "the process that commands are forked from"
    return address


def _serve(address):
    """Fork a command for each request, until standard input ends."""
    for name in _MODULES:
        importlib.import_module(name)
    commands = importlib.import_module("capture.cli.commands")
    for module in {module for module, _ in commands.COMMANDS.values()}:
        commands.built(module)
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(address)
        listening.listen()
        print("ready", flush=True)  # noqa: T201 - what the parent waits for
        while sys.stdin not in select.select([listening, sys.stdin], [], [])[0]:
            asked, _ = listening.accept()
            if os.fork() == 0:
                listening.close()
                _answer(asked)
            asked.close()


def _answer(asked):
    """Run one command in a child, and tell its exit code; does not return."""
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    request = json.loads(asked.makefile().readline())
    child = os.fork()
    if child == 0:
        asked.close()
        _become(request)
    _, status = os.waitpid(child, 0)
    asked.sendall(b"%d\n" % os.waitstatus_to_exitcode(status))
    os._exit(0)


def _become(request):
    """Be that command; does not return."""
    code = 1
    try:
        os.setsid()
        os.chdir(request["folder"])
        os.environ.clear()
        os.environ.update(request["environment"])
        for number, name, mode in (
            (0, "in", os.O_RDONLY),
            (1, "out", os.O_WRONLY),
            (2, "err", os.O_WRONLY),
        ):
            os.dup2(os.open(request[name], mode | os.O_CREAT, 0o600), number)
        sys.argv = ["benchtally", *request["arguments"]]
        # Encoded as for a program that was started with this environment and no terminal.
        sys.stdin, sys.stdout, sys.stderr = open(0), open(1, "w"), open(2, "w")  # noqa: SIM115
        from capture.cli.main import main  # noqa: PLC0415 - imported before the fork

        main()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(end.code is not None)
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


if __name__ == "__main__":
    _serve(sys.argv[1])
