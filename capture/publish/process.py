"""The daemon's end of a publisher: starts it, feeds it, starts it again when it dies.

Nothing here can hold up a worker or the journal. What they have to say is a flag, and one thread of
this object does the writing, even where the publisher has stopped reading; only a word that is sure
to find room is written by whoever says it.
"""

import contextlib
import io
import json
import os
import select
import subprocess
import sys
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Protocol

import structlog

from capture.clock import Clock
from capture.journal import Row
from capture.publish.making import make_pump
from capture.publish.news import line_of
from capture.publish.report import Report
from capture.publish.settings import PublisherSettings

if TYPE_CHECKING:
    from capture.config import LogConfig

_WAKE_AT_LEAST = 0.5
_RESTART_DELAY = 0.5
_KILL_AFTER = 2.0


class Publisher(Protocol):
    """What the daemon asks of a publisher."""

    name: str

    def start(self) -> None:
        """Start delivering."""
        ...

    def wake(self, newest: Row | None = None) -> None:
        """Say that the journal has grown, by one entry where it is given; returns at once."""
        ...

    def set_state(self, instrument: str, state: dict[str, Any]) -> None:
        """Set an instrument's retained state; returns at once."""
        ...

    @property
    def report(self) -> Report:
        """The newest report."""
        ...

    def ask_to_stop(self) -> None:
        """Let it deliver what it can and end; returns at once."""
        ...

    def stop(self, timeout: float) -> bool:
        """Ask it to stop and wait for it; True where it ended in time."""
        ...


class _Feeding:
    """Common to both forms: states and wakes, written by a thread of their own."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._log = structlog.get_logger().bind(publisher=name)
        self._changed = threading.Condition()
        self._dirty = False
        self._states: dict[str, str] = {}
        self._due: dict[str, str] = {}
        self._stopping = False
        self._thread = threading.Thread(target=self._feed_forever, name=f"publisher-feed:{name}")
        self.report = Report()

    def start(self) -> None:
        """Start delivering."""
        self._thread.start()

    def wake(self, newest: Row | None = None) -> None:  # noqa: ARG002 - looked up
        """Say that the journal has grown."""
        with self._changed:
            self._dirty = True
            self._changed.notify()

    def set_state(self, instrument: str, state: dict[str, Any]) -> None:
        """Set an instrument's retained state."""
        text = json.dumps(state)
        with self._changed:
            self._states[instrument] = text
            self._due[instrument] = text
            self._changed.notify()

    def _next_text(self, timeout: float) -> bytes | None:
        """Wait for something to say; None where nothing came, empty where a stop was asked for."""
        with self._changed:
            self._changed.wait_for(
                lambda: self._dirty or self._due or self._stopping, timeout=timeout
            )
            lines = list(self._due.values())
            if self._dirty and not lines:
                lines = [""]
            self._due, self._dirty = {}, False
            if lines:
                return "".join(f"{line}\n" for line in lines).encode()
            return b"" if self._stopping else None

    def _say_everything_again(self) -> None:
        with self._changed:
            self._due = dict(self._states)

    def ask_to_stop(self) -> None:
        """Let it deliver what it can and end."""
        with self._changed:
            self._stopping = True
            self._changed.notify()

    def _feed_forever(self) -> None:
        raise NotImplementedError


class ProcessPublisher(_Feeding):
    """A publisher in a process of its own."""

    def __init__(self, settings: PublisherSettings, log: "LogConfig", clock: Clock) -> None:
        super().__init__(settings.name)
        self._settings = settings
        self._log_config = log
        self._clock = clock
        self._process: subprocess.Popen[bytes] | None = None
        self._never = threading.Event()
        # Held while something is written, so that no line is written into another.
        self._writing = threading.Lock()
        self._pipe: int | None = None

    @property
    def pid(self) -> int | None:
        """Process id of the running publisher."""
        return None if self._process is None else self._process.pid

    def wake(self, newest: Row | None = None) -> None:
        """Say that the journal has grown: at once where that can be, a thread less to wait for."""
        if not self._wake_at_once(line_of(newest)):
            super().wake()

    def _wake_at_once(self, line: bytes) -> bool:
        if not self._writing.acquire(blocking=False):
            return False
        try:
            pipe = self._pipe
            # A pipe that is ready for writing takes a page, so the line cannot block.
            if pipe is None or not select.select([], [pipe], [], 0)[1]:
                return False
            os.write(pipe, line)
        except (OSError, ValueError):
            return False  # it died: whoever feeds it notices
        finally:
            self._writing.release()
        return True

    def stop(self, timeout: float) -> bool:
        """Let it deliver what it can and end; it is killed when it does not end in time."""
        self.ask_to_stop()
        self._thread.join(timeout)
        process = self._process
        if self._thread.is_alive() and process is not None:
            process.kill()
            self._thread.join(_KILL_AFTER)
            return False
        return not self._thread.is_alive()

    def _feed_forever(self) -> None:
        while True:
            process = self._start_process()
            assert process.stdin is not None
            with self._writing:
                self._pipe = process.stdin.fileno()
            ended = self._feed(process)
            with self._writing:
                self._pipe = None
                with contextlib.suppress(OSError):
                    process.stdin.close()
            code = process.wait()
            if ended:
                return
            self._log.error("publisher.died", exit_code=code, pid=process.pid)
            self._clock.wait(self._never, _RESTART_DELAY)
            self._say_everything_again()

    def _feed(self, process: subprocess.Popen[bytes]) -> bool:
        """Write to one process until it dies (False) or a stop was asked for (True)."""
        assert process.stdin is not None
        while process.poll() is None:
            text = self._next_text(_WAKE_AT_LEAST)
            if text == b"":
                return True
            if text is None:
                continue
            try:
                with self._writing:
                    process.stdin.write(text)
                    process.stdin.flush()
            except OSError:
                return False
        return False

    def _start_process(self) -> subprocess.Popen[bytes]:
        process = subprocess.Popen(
            [sys.executable, "-P", "-m", "capture.publish"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
        )
        assert process.stdin is not None
        assert process.stdout is not None
        first = {
            "settings": self._settings.model_dump(mode="json"),
            "log": self._log_config.model_dump(mode="json"),
        }
        with contextlib.suppress(OSError):  # it died at once: noticed by the next look at it
            process.stdin.write(json.dumps(first).encode() + b"\n")
        self._process = process
        threading.Thread(
            target=self._listen, args=(process,), name="publisher-reports", daemon=True
        ).start()
        self._log.info("publisher.started", pid=process.pid)
        return process

    def _listen(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stdout is not None
        # The pipes of an unbuffered process give a byte at a time to whoever reads lines.
        with io.BufferedReader(process.stdout) as lines:  # type: ignore[type-var] # it is raw
            for line in lines:
                with contextlib.suppress(ValueError):  # the last one of a publisher that was killed
                    self._take(Report(**json.loads(line)))

    def _take(self, report: Report) -> None:
        _log_turn(self._log, self.report, report)
        self.report = report


class ThreadPublisher(_Feeding):
    """The same publisher as a thread of the daemon."""

    def __init__(self, settings: PublisherSettings, clock: Clock) -> None:
        super().__init__(settings.name)
        self._read_end, self._write_end = os.pipe()
        pump = make_pump(settings, self._read_end, clock, self._take)
        self._pump = threading.Thread(target=self._run, args=(pump.run,), name="publisher")

    def start(self) -> None:
        """Start delivering."""
        super().start()
        self._pump.start()

    def stop(self, timeout: float) -> bool:
        """Let it deliver what it can and end."""
        self.ask_to_stop()
        self._thread.join(timeout)
        self._pump.join(timeout)
        return not self._pump.is_alive()

    def _run(self, run: Callable[[], None]) -> None:
        try:
            run()
        except Exception:  # noqa: BLE001 - whatever it was, it must not pass in silence
            self._log.exception("publisher.failed")
        finally:
            os.close(self._read_end)

    def _feed_forever(self) -> None:
        while (text := self._next_text(_WAKE_AT_LEAST)) != b"":
            if text is None:
                continue
            try:
                os.write(self._write_end, text)
            except OSError:
                break
        os.close(self._write_end)

    def _take(self, report: Report) -> None:
        _log_turn(self._log, self.report, report)
        self.report = report


def _log_turn(log: Any, old: Report, new: Report) -> None:
    """Log what turned."""
    if new.connected and not old.connected:
        log.info("broker.connected", version=new.version, backlog=new.backlog)
    elif new.reason and new.reason != old.reason:
        log.warning("broker.away", reason=new.reason, backlog=new.backlog)
    if new.paused and not old.paused:
        log.error("publisher.paused", reason=new.paused, backlog=new.backlog)
    elif old.paused and not new.paused:
        log.info("publisher.resumed", backlog=new.backlog)
    if new.nobody_listens and not old.nobody_listens:
        log.warning("broker.nobody_listens", unheard=new.unheard)
    elif old.nobody_listens and not new.nobody_listens:
        log.info("broker.somebody_listens", unheard=new.unheard)
