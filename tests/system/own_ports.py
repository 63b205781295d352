"""Ports that no two of all who test on this host are given at once."""

import atexit
import contextlib
import functools
import itertools
import random
import socket
from pathlib import Path

_FIRST_PORT, _SLICE, _SLICES = 11_000, 650, 32


@functools.cache
def _own_ports():
    """Count round through the ports that only this process uses, from any of them on.

    Each takes a slice that no other has claimed: those that share the tests, programs of theirs that
    start brokers of their own, and whoever else runs these tests on this host. A socket without a
    file is the claim: it ends with the process, however that ends, and two that are kept apart by
    namespaces of the network may have the same ports, and the same claims.
    """
    chance = random.SystemRandom()  # the other one is the same in all processes of a run
    for number in chance.sample(range(_SLICES), _SLICES):
        claim = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        try:
            claim.bind(f"\0benchtally tests, ports {number}")
        except OSError:
            claim.close()
            continue
        atexit.register(claim.close)
        break
    else:
        number = chance.randrange(_SLICES)  # more than 32 at once share some
    first = _FIRST_PORT + number * _SLICE
    began = chance.randrange(_SLICE)
    return itertools.cycle([first + (began + n) % _SLICE for n in range(_SLICE)])


def free_port():
    """Give a port at which nobody listens, and which nobody else is given.

    One that the system picks it may give to somebody else at once: to another test's server before a
    broker has it, or while a broker is away that will come back to it. So these lie below what it
    picks from, a slice of them for each process that asks.
    """
    picks_from = Path("/proc/sys/net/ipv4/ip_local_port_range").read_text("ascii").split()[0]
    if int(picks_from) < _FIRST_PORT + _SLICES * _SLICE:
        # A host that picks from these itself: this is as good as it gets there.
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            return probe.getsockname()[1]
    for port in itertools.islice(_own_ports(), _SLICE):
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port
    raise AssertionError("no port is free")
