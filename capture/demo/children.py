"""Child processes of the demonstration: simulated instruments and the daemon."""

import contextlib
import os
import subprocess
import sys
from pathlib import Path
from typing import IO, Any

from capture.errors import CaptureError
from simulators.child import Child, SimulatorError


class DemoError(CaptureError):
    """A stage of the demonstration did not happen."""


class SimulatedInstrument:
    """A simulator as a child process, and the hand at the bench.

    Its line is kept open here. A simulator that is killed leaves the link, which the daemon goes on
    opening: the number behind it must not become anybody else's terminal meanwhile.
    """

    def __init__(self, kind: str, port: Path, *options: str) -> None:
        """Start it on a pseudo-terminal behind the link ``port``.

        Raises:
            DemoError: it does not start.
        """
        self.kind = kind
        self.port = port
        given = [part for option in options for part in ("-o", option)]
        try:
            self._child = Child(kind, "--pty", str(port), *given)
        except SimulatorError as error:
            raise DemoError(f"the simulated {kind} did not start: {error}") from error
        try:
            self._leads_to = port.readlink()
            self._line = os.open(port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        except OSError as error:
            self._child.stop()
            raise DemoError(f"the simulated {kind} went away at once: {error}") from error

    def hand(self, command: str) -> str:
        """Do something at the bench, such as ``pair U-V``, ``lift`` or ``press``.

        Raises:
            DemoError: the simulator did not do it.
        """
        try:
            answer = self._child.hand(command)
        except SimulatorError as error:
            raise DemoError(f"the simulated {self.kind}: {error}") from error
        if not answer.startswith("ok"):
            raise DemoError(f"the simulated {self.kind} answered {answer!r} to {command!r}")
        return answer

    def ended(self) -> int | None:
        """Give its exit code, if it has ended."""
        return self._child.process.poll()

    def stop(self) -> None:
        """End it; no link to its line is left."""
        self._child.stop()
        with contextlib.suppress(OSError):  # one that ended by itself has removed it
            if self.port.readlink() == self._leads_to:
                self.port.unlink()
        os.close(self._line)


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
        """Give its exit code, if it has ended."""
        return self._process.poll()

    def stop(self) -> int:
        """Ask it to stop; give its exit code."""
        code = end(self._process)
        self._log.close()
        return code


def command(words: str, config: Path, *more: str, given: str = "") -> str:
    """Run ``benchtally`` with these words, and more that may hold blanks; give what it printed.

    Raises:
        DemoError: it failed; says what it said.
    """
    done = subprocess.run(
        [sys.executable, "-P", "-m", "capture.cli", *words.split(), *more, "--config", str(config)],
        input=given,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    if done.returncode != 0:
        raise DemoError(f"benchtally {words.split(maxsplit=1)[0]} failed: {done.stderr.strip()}")
    return done.stdout


def end(process: subprocess.Popen[Any]) -> int:
    """End a child: ask, wait, then insist."""
    if process.poll() is None:
        process.terminate()
    try:
        code = process.wait(15)
    except subprocess.TimeoutExpired:
        process.kill()
        code = process.wait()
    return code
