"""Refusal of network file systems: SQLite's log needs shared memory and locks that they lack.

The type comes from Linux's table of mounts, not from ``statfs``: to ``statfs`` everything in user
space is one type (FUSE), be it a local disk or a remote folder; the table also says which.
"""

import sys
from collections.abc import Callable
from pathlib import Path

from capture.errors import JournalError

_MOUNTS = Path("/proc/self/mountinfo")

#: Types of file system that live on another machine (or, as 9p does, outside this one's kernel).
NETWORK = frozenset(
    {
        "9p",
        "afs",
        "beegfs",
        "ceph",
        "cifs",
        "coda",
        "glusterfs",
        "lustre",
        "ncpfs",
        "nfs",
        "nfs4",
        "ocfs2",
        "orangefs",
        "smb3",
        "smbfs",
        "fuse.ceph",
        "fuse.cephfs",
        "fuse.curlftpfs",
        "fuse.davfs",
        "fuse.davfs2",
        "fuse.gcsfuse",
        "fuse.glusterfs",
        "fuse.gvfsd-fuse",
        "fuse.moosefs",
        "fuse.rclone",
        "fuse.s3fs",
        "fuse.smbnetfs",
        "fuse.sshfs",
        "fuse.seaweedfs",
    }
)

#: Gives the type of the file system that a folder is on; empty where that cannot be known.
Probe = Callable[[Path], str]


def file_system(folder: Path) -> str:
    """Give the type of the file system that ``folder`` is on; empty where that cannot be known."""
    if sys.platform == "win32":
        return "cifs" if str(folder.absolute()).startswith("\\\\") else ""
    try:
        return type_among(_MOUNTS.read_text("utf-8", "surrogateescape"), folder.resolve())
    except OSError:
        return ""


def type_among(mounts: str, folder: Path) -> str:
    """Find the type of the file system that ``folder`` is on in the text of a table of mounts.

    The mount with the longest path above the folder holds it; of equal paths the later one lies on
    top. Source of the layout: Linux, Documentation/filesystems/proc.rst, section 3.5.
    """
    found, length = "", -1
    above = {str(folder), *map(str, folder.parents)}
    for line in mounts.splitlines():
        first, _, second = line.partition(" - ")
        places, kind = first.split(" "), second.split(" ")[0]
        if len(places) < 5:  # noqa: PLR2004 - the mount point is the fifth field
            continue
        point = _unescaped(places[4])
        if point in above and len(point) >= length:
            found, length = kind, len(point)
    return found


def _unescaped(point: str) -> str:
    for code, character in (("\\040", " "), ("\\011", "\t"), ("\\012", "\n"), ("\\134", "\\")):
        point = point.replace(code, character)
    return point


def refuse_network(path: Path, probe: Probe = file_system) -> None:
    """Refuse a journal that would lie on a network file system.

    Raises:
        JournalError: it would; says which type, and what to do.
    """
    kind = probe(path.parent)
    if kind in NETWORK:
        raise JournalError(
            f"{path}: lies on a network file system ({kind}), where a power cut or a second "
            "machine can damage it; set [journal] path to a folder on a local disk, and copy from "
            "there with `benchtally journal backup`"
        )
