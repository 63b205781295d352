"""The publisher process: settings on the first line of standard input, then the feed.

Reports go to standard output as lines of JSON, the log to standard error.
"""

import json
import os
import signal
import sys
from dataclasses import asdict
from pathlib import Path

import structlog

from capture.beginning import nothing_is_rubbish
from capture.clock import SystemClock
from capture.errors import CaptureError
from capture.logs import configure_logs
from capture.publish.making import make_pump
from capture.publish.report import Report
from capture.publish.settings import PublisherSettings


def main() -> int:
    """Run a publisher until its feed ends; 0 done, 1 failed."""
    # The daemon decides when to stop, by closing the feed. A Ctrl-C, a service manager's TERM or
    # a closing terminal's HUP, which reach the whole process group, must not cut off what is still
    # handed over.
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    first = json.loads(_first_line())
    configure_logs(first["log"]["level"], first["log"]["form"])
    settings = PublisherSettings.model_validate(first["settings"])
    try:
        with nothing_is_rubbish():
            pump = make_pump(settings, 0, SystemClock(), _tell)
        pump.run()
    except CaptureError as error:
        structlog.get_logger().error("publisher.failed", reason=str(error))
        return 1
    return 0


def _first_line() -> bytes:
    """Read one line without taking a byte of what follows it."""
    line = bytearray()
    while (byte := os.read(0, 1)) not in (b"\n", b""):
        line += byte
    return bytes(line)


def _tell(report: Report) -> None:
    try:
        sys.stdout.write(json.dumps(asdict(report)) + "\n")
        sys.stdout.flush()
    except OSError:
        # The daemon is gone. What is left is delivered all the same; the feed ends by itself.
        sys.stdout = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - to the end


if __name__ == "__main__":
    sys.exit(main())
