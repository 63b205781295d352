"""Child processes of the demonstration: simulated instruments and the daemon."""

import contextlib
import json
import subprocess
import sys
from pathlib import Path
from typing import IO, Any

from capture.errors import CaptureError


class DemoError(CaptureError):
    """A stage of the demonstration did not happen."""


class SimulatedInstrument:
    """A simulator as a child process, with the hand at the bench on its standard input."""

    def __init__(self, kind: str, port: Path, *options: str) -> None:
        """Start it on a pseudo-terminal behind the link ``port``.

        Raises:
            DemoError: it does not start.
        """
        self.kind = kind
        self.port = port
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", "simulators", kind, "--pty", str(port), "--stop-at-eof"]
            + [part for option in options for part in ("-o", option)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        ready = self._line()
        try:
            self.ready: dict[str, Any] = json.loads(ready)
        except ValueError as error:
            raise DemoError(f"the simulated {kind} did not start: {ready!r}") from error

    def hand(self, command: str) -> str:
        """Do something at the bench: ``pair U-V``, ``lift``, ``press`` …

        Raises:
            DemoError: the simulator did not do it.
        """
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(command + "\n")
            self._process.stdin.flush()
            answer = self._line()
        except OSError as error:
            raise DemoError(f"{command!r} was not done") from error
        if not answer.startswith("ok"):
            raise DemoError(f"the simulated {self.kind} answered {answer!r} to {command!r}")
        return answer

    def ended(self) -> int | None:
        """Its exit code, if it has ended."""
        return self._process.poll()

    def stop(self) -> None:
        """End it."""
        end(self._process)

    def _line(self) -> str:
        assert self._process.stdout is not None
        return self._process.stdout.readline().strip()


class DaemonProcess:
    """``benchtally run`` as a child process."""

    def __init__(self, config: Path, log: Path) -> None:
        self._log: IO[bytes] = log.open("wb")
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", "capture.cli", "run", "--config", str(config)],
            stdin=subprocess.DEVNULL,
            stdout=self._log,
            stderr=self._log,
        )

    @property
    def pid(self) -> int:
        """Its process id."""
        return self._process.pid

    def ended(self) -> int | None:
        """Its exit code, if it has ended."""
        return self._process.poll()

    def stop(self) -> int:
        """Ask it to stop; give its exit code."""
        code = end(self._process)
        self._log.close()
        return code


def command(arguments: list[str], *, given: str = "") -> str:
    """Run ``benchtally`` with these arguments; give what it printed.

    Raises:
        DemoError: it failed; says what it said.
    """
    done = subprocess.run(
        [sys.executable, "-P", "-m", "capture.cli", *arguments],
        input=given,
        capture_output=True,
        text=True,
        check=False,
        timeout=30,
    )
    if done.returncode != 0:
        raise DemoError(f"benchtally {arguments[0]} failed: {done.stderr.strip()}")
    return done.stdout


def end(process: subprocess.Popen[Any]) -> int:
    """End a child: ask, wait, then insist."""
    if process.stdin is not None:
        with contextlib.suppress(OSError):  # it died before it read the last command
            process.stdin.close()
    if process.poll() is None:
        process.terminate()
    try:
        code = process.wait(15)
    except subprocess.TimeoutExpired:
        process.kill()
        code = process.wait()
    if process.stdout is not None:
        process.stdout.close()
    return code
