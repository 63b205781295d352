"""`benchtally` on a clock that is off by as many seconds as a file says, read anew each time.

Debian's faketime steps the whole C library's clock (see test_clock_steps.py), but under it Python's
waits return at once, so that a daemon keeps a processor busy: too much for a campaign.
"""

import sys
from datetime import timedelta
from pathlib import Path

from capture.cli.main import main
from capture.clock import SystemClock

offset = Path(sys.argv.pop(1))
now = SystemClock.utc
SystemClock.utc = lambda clock: now(clock) + timedelta(seconds=int(offset.read_text()))

main()
