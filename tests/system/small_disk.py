"""A disk of the test's own that can be made full and roomy again, or the nearest thing to it.

Where the host lets anybody mount, the whole campaign runs in namespaces of its own (`alone`): the
disk is a tmpfs there, filled by shrinking it to what it holds, and whatever way the campaign ends,
mount and processes end with it. Elsewhere the limit on the size of files stands for a full disk;
it makes writes fail part-way, too.
"""

import os
import resource
import subprocess
import sys

import harness

_ALONE = (
    "unshare",
    "--map-root-user",
    "--mount",
    "--pid",
    "--fork",
    "--kill-child",
    "--mount-proc",
)
_SAYS_SO = "CAMPAIGN_ALONE"
_ROOM = "3g"  # what it may hold; a tmpfs takes memory only for what it does hold
_SPARE = 32 << 10  # bytes left when it is filled, so that it ends in the middle of a commit


def alone(arguments):
    """Give the command, and its environment, that runs a script in namespaces if the host can."""
    command = [*harness.PYTHON, *map(str, arguments)]
    try:
        tried = subprocess.run([*_ALONE, "true"], capture_output=True, check=False)
    except FileNotFoundError:
        return command, dict(os.environ)
    if tried.returncode:
        return command, dict(os.environ)
    return [*_ALONE, *command], {**os.environ, _SAYS_SO: "1"}


def is_alone():
    """Tell whether this process runs in namespaces made for it."""
    return bool(os.environ.get(_SAYS_SO))


def run_alone(arguments):
    """Become that command."""
    command, environment = alone(arguments)
    sys.stdout.flush()
    os.execvpe(command[0], command, environment)


class Tmpfs:
    """A real small disk."""

    kind = "tmpfs"

    def __init__(self, folder):
        self.path = folder
        folder.mkdir()
        self._mount("-t", "tmpfs", "-o", f"size={_ROOM}", "none")

    def fill(self, _pid):
        # What is written between looking and shrinking may exceed the spare room; the kernel then
        # refuses to shrink, and it is looked at again.
        harness.wait_until(self._shrunk, f"{self.path} made full")

    def _shrunk(self):
        found = os.statvfs(self.path)
        used = (found.f_blocks - found.f_bfree) * found.f_frsize
        command = ("mount", "-o", f"remount,size={used + _SPARE}", self.path)
        done = subprocess.run(command, check=False, capture_output=True, timeout=harness.LONG)
        return done.returncode == 0

    def make_room(self, _pid):
        self._mount("-o", f"remount,size={_ROOM}")

    def end(self):
        subprocess.run(["umount", "--lazy", self.path], check=True, timeout=harness.LONG)

    def _mount(self, *arguments):
        subprocess.run(["mount", *arguments, self.path], check=True, timeout=harness.LONG)


class LimitedFiles:
    """RLIMIT_FSIZE of the daemon, where nobody may mount."""

    kind = "limit on the size of files"

    def __init__(self, folder):
        folder.mkdir()
        self.path = folder
        self._usual = None

    def fill(self, pid):
        longest = max(each.stat().st_size for each in self.path.iterdir() if "-wal" in each.name)
        self._usual = resource.prlimit(pid, resource.RLIMIT_FSIZE)
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (longest + 8192, self._usual[1]))

    def make_room(self, pid):
        resource.prlimit(pid, resource.RLIMIT_FSIZE, self._usual)

    def end(self):
        """Nothing was taken."""


def small_disk(folder):
    return Tmpfs(folder) if is_alone() else LimitedFiles(folder)
