"""What a bench costs that does nothing, and what many readings leave behind in memory."""

import tempfile
import threading
from pathlib import Path

from crowd import cpu, memory
from figure import Figure
from rig import Rig

_INSTRUMENTS = 16


def figures(seconds, few, many):
    """Sixteen instruments that are silent, pages on; then one port with many readings."""
    yield _silent(seconds)
    yield _left_behind(few, many)


def _silent(seconds):
    with tempfile.TemporaryDirectory() as folder:
        rig = Rig(Path(folder))
        try:
            links = []
            for n in range(_INSTRUMENTS):
                _, line = _quiet(rig, f"meter-{n}")
                links.append(line)
            broker = rig.mosquitto()
            rig.configure(broker.port, *links, more="[web]\nport = 0\n")
            daemon = rig.daemon()
            daemon.wait_for("broker.connected")
            pause = threading.Event()
            pause.wait(5)
            pids = [daemon.pid, daemon.publisher()]
            before = cpu(pids)
            pause.wait(seconds)
            used = 100 * (cpu(pids) - before) / seconds
            daemon.stop()
        finally:
            rig.close()
    return Figure(
        f"idle with {_INSTRUMENTS} instruments, pages on, % of a core",
        f"{used:.2f}",
        "≤ 1",
        used <= 1,
        f"over {seconds} s, daemon and publisher",
    )


def _quiet(rig, name):
    """A meter that is there and says nothing."""
    link = rig.folder / name
    return rig.simulate("counter", "--pty", link, "-o", "autostart=no"), rig.lines(name, port=link)


def _left_behind(few, many):
    with tempfile.TemporaryDirectory() as folder:
        rig = Rig(Path(folder))
        try:
            link = rig.folder / "line"
            counter = rig.simulate(
                "counter", "--pty", link, "--lossless", "--rate", 1e6,
                "-o", f"count={many + 2}", "-o", "autostart=no",
            )  # fmt: skip
            broker = rig.mosquitto()
            rig.configure(broker.port, rig.lines("line", port=link), broker="max_rate = 1000000\n")
            daemon = rig.daemon()
            daemon.wait_for("broker.connected")
            counter.hand("start")
            pids = [daemon.pid, daemon.publisher()]
            sizes = []
            for wanted in (few, many):
                rig.wait_for_length(wanted, 600)
                sizes.append(memory(pids))
            daemon.stop(60)
        finally:
            rig.close()
    growth = sizes[1] / sizes[0]
    return Figure(
        f"memory after {many:,} readings against {few:,}",
        f"{growth:.2f}",
        "≤ 1.1",
        growth <= 1.1,
        f"{sizes[0]:.0f} to {sizes[1]:.0f} MiB",
    )
