"""A simulated instrument in a process of its own, for demonstrations and tests."""

import contextlib
import json
import os
import select
import subprocess
import sys
import threading
import time
from types import TracebackType
from typing import Any, Self


class SimulatorError(RuntimeError):
    """The simulator did not start, or does not answer; the text says why in one line."""


class Child:
    """Start `python -P -m simulators ARGUMENTS` and wait until it is ready.

    `ready` is its line of JSON: kind, port, link, tcp, pid. `hand` does a hand command. The child
    ends with this process, however that ends. Raises SimulatorError when it does not get ready
    within `patience` seconds.
    """

    def __init__(self, *arguments: str, patience: float = 10.0) -> None:
        self._patience = patience
        self._lock = threading.Lock()
        self._typed = bytearray()
        self.process = subprocess.Popen(  # noqa: S603 - our own module, arguments as a list
            [sys.executable, "-P", "-m", "simulators", *arguments, "--stop-at-eof"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        try:
            self.ready: dict[str, Any] = json.loads(self._line())
        except BaseException:
            self.stop()
            raise

    def hand(self, command: str) -> str:
        """Do a hand command; return its answer, `ok: ...` or `no: ...`.

        Raises SimulatorError when the simulator has gone. May be called from any thread.
        """
        assert self.process.stdin is not None
        with self._lock:
            try:
                self.process.stdin.write(command.replace("\n", " ").encode() + b"\n")
                self.process.stdin.flush()
            except OSError as error:
                raise SimulatorError(f"the simulator has gone: {error}") from None
            return self._line()

    def stop(self) -> int:
        """End the child and return its exit code."""
        self.process.terminate()
        try:
            self.process.wait(self._patience)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        for stream in (self.process.stdin, self.process.stdout, self.process.stderr):
            if stream is not None:
                with contextlib.suppress(OSError):  # what could not be flushed is of no use now
                    stream.close()
        return self.process.returncode

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()

    def _line(self) -> str:
        assert self.process.stdout is not None
        until = time.monotonic() + self._patience
        while b"\n" not in self._typed:
            left = max(0.0, until - time.monotonic())
            if not select.select([self.process.stdout], [], [], left)[0]:
                raise SimulatorError("the simulator does not answer")
            data = os.read(self.process.stdout.fileno(), 1 << 16)
            if not data:
                raise SimulatorError(self._last_words())
            self._typed += data
        line, _, self._typed = self._typed.partition(b"\n")
        return line.decode()

    def _last_words(self) -> str:
        assert self.process.stderr is not None
        lines = self.process.stderr.read().decode(errors="replace").strip().splitlines()
        return lines[-1] if lines else "the simulator ended without a word"
