"""What can go wrong at a bench, each as a generator: it begins the fault, yields how long it lasts,
and mends what does not mend itself.

Two faults may be injected at once where they are of different layers.
"""

import os
import random
import signal
import uuid
from collections.abc import Callable
from dataclasses import dataclass

import harness

OPERATOR = ("--operator", "technician")


@dataclass(frozen=True)
class Kind:
    """One kind of fault.

    `layer` says what it touches; `apart` with which layers it cannot be; of two at once, one that
    needs `messages` begins first, while they still come.
    """

    name: str
    layer: str
    act: Callable
    apart: frozenset = frozenset()
    messages: bool = False


def _hold(bench, random_, longest=6.0):
    return random_.uniform(0.2, longest) * bench.pace


# ── programs ─────────────────────────────────────────────────────────────────────────────────────


def daemon_killed(bench, random_):
    bench.daemon.signal(signal.SIGKILL)
    assert bench.daemon.wait() == -signal.SIGKILL
    yield _hold(bench, random_, 2)
    bench.start_daemon()


def all_killed(bench, random_):
    bench.daemon.signal_all(signal.SIGKILL)
    bench.daemon.wait()
    yield _hold(bench, random_, 2)
    bench.start_daemon()


def daemon_stopped(bench, random_):
    assert bench.daemon.stop(60) == 0, bench.daemon.said()[-3000:]
    yield _hold(bench, random_, 2)
    bench.start_daemon()


def publisher_killed(bench, _random):
    os.kill(bench.daemon.publisher(), signal.SIGKILL)
    yield 0


def publisher_hangs(bench, random_):
    pid = bench.daemon.publisher()
    os.kill(pid, signal.SIGSTOP)
    yield _hold(bench, random_)
    os.kill(pid, signal.SIGCONT)


# ── broker and network ───────────────────────────────────────────────────────────────────────────


def broker_restarted(bench, random_):
    bench.broker.stop()
    yield _hold(bench, random_)
    bench.broker.start()


def broker_hangs(bench, random_):
    bench.broker.child.signal(signal.SIGSTOP)
    yield _hold(bench, random_, 10)
    bench.broker.child.signal(signal.SIGCONT)


def connections_dropped(bench, random_):
    for _ in range(random_.randint(0, 2)):
        bench.proxy.drop()
        yield _hold(bench, random_, 1)
    bench.proxy.drop()
    yield 0


def connections_refused(bench, random_):
    bench.proxy.refuse()
    yield _hold(bench, random_)
    bench.proxy.accept()


def half_open(bench, _random):
    """The connection stays, its bytes vanish; time to recover counts from there."""
    bench.wait_connected()
    bench.proxy.vanish()
    yield 0


def slow_network(bench, random_):
    bench.proxy.delay(random_.uniform(0.1, 1.5))
    yield _hold(bench, random_, 8)
    bench.proxy.delay(0)


# ── the host ─────────────────────────────────────────────────────────────────────────────────────


def disk_full(bench, random_):
    full = bench.daemon.said().count('"journal.full"')
    bench.disk.fill(bench.daemon.pid)
    try:
        harness.wait_until(
            lambda: bench.daemon.said().count('"journal.full"') > full, "a full disk", 60
        )
        yield _hold(bench, random_, 5)
    finally:
        bench.disk.make_room(bench.daemon.pid)


def clock_steps(bench, random_):
    for _ in range(random_.randint(1, 3)):
        bench.step_clock(random_.choice((-86400 * 30, -3600, -2, 1, 5, 7200, 86400)))
        yield _hold(bench, random_, 2)
    bench.step_clock(0)


# ── instruments ──────────────────────────────────────────────────────────────────────────────────


def unplugged(bench, random_):
    instrument = random_.choice(bench.simulators)
    instrument.hand("unplug")
    yield _hold(bench, random_)
    instrument.hand("plug")


def frozen(bench, random_):
    instrument = random_.choice(bench.simulators)
    instrument.process.send_signal(signal.SIGSTOP)
    yield _hold(bench, random_)
    instrument.process.send_signal(signal.SIGCONT)


# ── consumers ────────────────────────────────────────────────────────────────────────────────────


def slow_subscriber(bench, random_):
    bench.recorder.stall()
    yield _hold(bench, random_, 8)
    bench.recorder.go_on()


def subscriber_away(bench, random_):
    bench.recorder.go()
    yield _hold(bench, random_, 8)
    bench.recorder.come()


# ── people ───────────────────────────────────────────────────────────────────────────────────────


def foreign_writers(bench, random_):
    """Commands write into the journal beside the daemon; one of them may be killed in the middle."""
    name = random_.choice(bench.streams)
    # Nobody has registered this machine, and nobody sits there to be asked about it.
    machine = ("--machine", "FAN-07", "--confirm")
    tag = ("tag", f"{name}:last", *machine, *OPERATOR)
    asked = str(uuid.UUID(int=random_.getrandbits(128), version=4))
    value = ("resistance", "842.1 mOhm", *machine)
    key = ("key", *value, "--id", asked, *OPERATOR)
    running = [bench.begin_command(*each) for each in (key, tag)]
    victim = random_.choice((*running, None))
    if victim is not None:
        yield random_.uniform(0.2, 1.5)
        victim.signal(signal.SIGKILL)
    codes = [each.wait(60) for each in running]
    for child, code in zip(running, codes, strict=True):
        assert code == 0 or child is victim, child.said()
    if codes[0] == 0:
        bench.promised.append(asked)
    yield 0


def job_acts(bench, random_):
    number = len(bench.jobs)
    bench.jobs.append(number)
    for act in (
        ("machine", "add", f"FAN-{number}", "--rated-volts", 400),
        ("job", "start", f"FAN-{number}", "after-rewind", "--state", "as-left"),
        ("job", "note", "last", "under faults"),
        ("job", "conditions", "last", "--winding-celsius", 20 + random_.randrange(5)),
    )[: 4 if bench.pace == 1 else 2]:
        bench.command(*act, *OPERATOR)
    yield 0


_PROGRAM = frozenset({"program"})
_PEOPLE = frozenset({"people"})
_BROKER = frozenset({"broker"})

KINDS = (
    Kind("daemon killed (kill -9)", "program", daemon_killed),
    Kind("daemon and publisher killed (kill -9)", "program", all_killed),
    Kind("daemon stopped (SIGTERM) and started", "program", daemon_stopped),
    Kind("publisher killed (kill -9)", "program", publisher_killed),
    Kind("publisher hangs (SIGSTOP)", "program", publisher_hangs),
    Kind("broker stopped (SIGTERM) and started", "broker", broker_restarted),
    Kind("broker hangs (SIGSTOP)", "broker", broker_hangs),
    Kind("connections dropped (RST)", "broker", connections_dropped),
    Kind("connections refused", "broker", connections_refused),
    Kind("half-open connection (bytes vanish)", "broker", half_open, messages=True),
    Kind("slow network (0.1 to 1.5 s each way)", "broker", slow_network),
    # On a full disk neither the daemon starts nor a command writes; each says so, by other tests.
    Kind("disk full", "disk", disk_full, _PROGRAM | _PEOPLE),
    Kind("clock steps (up to 30 days)", "clock", clock_steps),
    Kind("instrument unplugged", "instrument", unplugged),
    Kind("instrument frozen", "instrument", frozen),
    Kind("slow subscriber", "subscriber", slow_subscriber),
    # It comes back by itself, to a broker that must be there.
    Kind("subscriber away", "subscriber", subscriber_away, _BROKER),
    Kind("commands write beside the daemon", "people", foreign_writers),
    Kind("acts in jobs beside the daemon", "people", job_acts),
)


def partner_of(kind, random_: random.Random):
    """Give another kind that may be injected together with this one."""
    fit = [
        each
        for each in KINDS
        if each.layer != kind.layer
        and each.layer not in kind.apart
        and kind.layer not in each.apart
    ]
    return random_.choice(fit)
