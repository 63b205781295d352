"""Commands forked from a process that has imported everything: as real as others, and much quicker.

Each command is a process of its own with its own streams, folder, session, exit code and locks; what
it shares with the others is what Python had imported. Half of a short command's time is importing, of
a daemon's start nearly all, and the tests here run some hundreds of both. What a fresh start is about
(what it imports, its arguments and environment, signals, terminals, a faked clock) is not run this way.
"""

import atexit
import contextlib
import ctypes.util
import functools
import gc
import importlib
import json
import os
import select
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import traceback
from pathlib import Path

LONGEST = 60.0

_NUMBER = struct.Struct("i")
_ADD = os.O_WRONLY | os.O_CREAT | os.O_APPEND

# What commands import when they are run, and daemons and workers before they are at work.
_MODULES = (
    "capture.access.gate",
    "capture.app",
    "capture.cli.main",
    "capture.discovery",
    "capture.doctor.examine",
    "capture.historian.worker",
    "capture.jobs.setup",
    "capture.journal.verify",
    "capture.journal.trim",
    "capture.photo.store",
    "capture.publish.letters",
    "capture.web.application",
    "capture.web.bench",
    "capture.web.server",
    "capture.web.tls",
)


def run(arguments, given=""):
    """Run `benchtally` with these arguments; give exit code, output and errors."""
    with tempfile.TemporaryDirectory() as folder:
        files = {name: str(Path(folder, name)) for name in ("in", "out", "err")}
        Path(files["in"]).write_text(given, "utf-8")
        started = Started(arguments, files, stays=False)
        try:
            code = started.wait(LONGEST)
        except subprocess.TimeoutExpired:
            started.kill()
            started.wait(LONGEST)
            raise
        said, complained = (Path(files[name]).read_text("utf-8") for name in ("out", "err"))
    return subprocess.CompletedProcess(list(arguments), code, said, complained)


def start(arguments, output):
    """Start `benchtally` with these arguments; what it says is added to a file."""
    output.touch()  # it is read at once
    files = {"in": os.devnull, "out": str(output), "err": str(output)}
    return Started(arguments, files, stays=True)


class Started:
    """A command that runs: what `subprocess.Popen` is for one that was started anew.

    Its number belongs to it until somebody has heard how it ended, as a child's does.
    """

    stdin = None

    def __init__(self, arguments, files, *, stays):
        self.returncode = None
        self._line = socket.socket(socket.AF_UNIX)
        self._line.connect(_server())
        request = {"arguments": [*map(str, arguments)], "folder": str(Path.cwd()), **files}
        request |= {"environment": dict(os.environ), "stays": stays}
        self._line.sendall(json.dumps(request).encode() + b"\n")
        self.pid = self._number(LONGEST)
        assert self.pid, "the process that commands are forked from answers"

    def poll(self):
        """Give the exit code, None while it runs; minus the signal where one ended it."""
        if self.returncode is None and (found := self._number(0)) is not None:
            self.returncode = found
            with self._line:
                self._line.shutdown(socket.SHUT_WR)
                self._line.recv(1)  # nothing comes but the end: the number is given up
        return self.returncode

    def wait(self, timeout=None):
        """Wait for its end; give the exit code."""
        if self.returncode is None and not select.select([self._line], [], [], timeout)[0]:
            raise subprocess.TimeoutExpired(f"process {self.pid}", timeout)
        return self.poll()

    def send_signal(self, number):
        """Send it a signal, where it still runs."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self):
        self.send_signal(signal.SIGTERM)

    def kill(self):
        self.send_signal(signal.SIGKILL)

    def _number(self, seconds):
        if not select.select([self._line], [], [], seconds)[0]:
            return None
        return _NUMBER.unpack(self._line.recv(_NUMBER.size, socket.MSG_WAITALL))[0]


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
    """Fork a command for each request, until standard input ends.

    Gives None then; in a child, what that child is to run.
    """
    # Whether the host has a library for USB is asked of its compiler and linker, by each daemon.
    ctypes.util.find_library = functools.cache(ctypes.util.find_library)
    for name in _MODULES:
        importlib.import_module(name)
    commands = importlib.import_module("capture.cli.commands")
    for module in {module for module, _ in commands.COMMANDS.values()}:
        commands.built(module)
    assert not importlib.import_module("capture.model.ids")._chance, "two would make the same ids"
    importlib.import_module("capture.discovery").Listing()()
    gc.freeze()  # what is imported is not rubbish, and stays one piece of memory for all
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(address)
        listening.listen()
        print("ready", flush=True)  # noqa: T201 - what the parent waits for
        while sys.stdin not in select.select([listening, sys.stdin], [], [])[0]:
            asked, _ = listening.accept()
            if os.fork() == 0:
                listening.close()
                return _answer(asked)
            asked.close()
    return None


def _answer(asked):
    """Run one command in a child; tell its number, and its exit code.

    Returns in that child only, where it is a command that stays, to run it.
    """
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    request = json.loads(asked.makefile().readline())
    child = os.fork()
    if child == 0:
        os.setsid()
        asked.sendall(_NUMBER.pack(os.getpid()))
        asked.close()
        return _become(request)
    ended = os.waitid(os.P_PID, child, os.WEXITED | os.WNOWAIT)
    code = ended.si_status if ended.si_code == os.CLD_EXITED else -ended.si_status
    with contextlib.suppress(OSError):  # whoever asked may be gone
        asked.sendall(_NUMBER.pack(code))
        asked.recv(1)
    os.waitpid(child, 0)
    os._exit(0)


def _become(request):
    """Be that command; give its main function where it stays, and do not return where not."""
    os.chdir(request["folder"])
    os.environ.clear()
    os.environ.update(request["environment"])
    for number, name, mode in ((0, "in", os.O_RDONLY), (1, "out", _ADD), (2, "err", _ADD)):
        opened = os.open(request[name], mode, 0o600)
        os.dup2(opened, number)
        os.close(opened)  # one that is started anew has these three only
    sys.argv = ["benchtally", *request["arguments"]]
    # Encoded and handed on as by a program that was started with this environment and no terminal.
    sys.stdin, sys.stdout = open(0), open(1, "w")  # noqa: SIM115
    sys.stderr = open(2, "w", buffering=1, errors="backslashreplace")  # noqa: SIM115
    from capture.cli.main import main  # noqa: PLC0415 - imported before the fork

    if request["stays"]:
        return main
    code = 1
    try:
        main()
        code = 0
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(end.code is not None)
        if isinstance(end.code, str):
            print(end.code, file=sys.stderr)  # noqa: T201 - as Python does
    except BaseException:  # noqa: BLE001 - nobody is left to see it, and tests look for it
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


if __name__ == "__main__":
    if (command := _serve(sys.argv[1])) is not None:
        command()  # and the interpreter ends as any does: threads are waited for
