"""Network file systems are refused by name; the table of mounts is read as Linux writes it."""

from pathlib import Path

import pytest

from capture.errors import JournalError
from capture.journal import Store, database
from capture.journal.local_disk import NETWORK, file_system, refuse_network, type_among

# Lines in the layout of Linux's proc.rst, section 3.5; made up for the test.
MOUNTS = r"""22 27 0:21 / /proc rw,relatime - proc proc rw
27 1 254:0 / / rw,relatime shared:1 - ext4 /dev/vda rw
30 27 0:40 / /srv/plant rw,relatime shared:7 master:2 - nfs4 files:/plant rw
31 30 0:41 / /srv/plant/local rw,relatime - xfs /dev/vdb rw
32 27 0:42 / /home/winder/share\040one rw - fuse.sshfs winder@files: rw
33 27 0:43 / /mnt/twice rw - ext4 /dev/vdc rw
34 27 0:44 / /mnt/twice rw - cifs //files/bench rw
"""


@pytest.mark.parametrize(
    ("folder", "kind"),
    [
        ("/var/lib/benchtally", "ext4"),
        ("/srv/plant", "nfs4"),
        ("/srv/plant/bench/1", "nfs4"),
        ("/srv/plantation", "ext4"),
        ("/srv/plant/local/bench", "xfs"),
        ("/home/winder/share one/bench", "fuse.sshfs"),
        ("/mnt/twice", "cifs"),
    ],
)
def test_the_mount_with_the_longest_path_says_the_type_and_the_later_one_lies_on_top(folder, kind):
    assert type_among(MOUNTS, Path(folder)) == kind


@pytest.mark.parametrize("text", ["", "\n\n", "no table at all", "a b c - ext4"])
def test_a_table_of_another_form_says_nothing(text):
    assert type_among(text, Path("/srv")) == ""


def test_this_host_can_say_what_its_own_files_lie_on(tmp_path):
    assert file_system(tmp_path) not in {"", "nfs", "nfs4", "cifs"}
    assert file_system(Path("/proc")) == "proc"


@pytest.mark.parametrize("kind", sorted(NETWORK))
def test_every_network_file_system_is_refused_with_what_to_do(kind, tmp_path):
    path = tmp_path / "bench.journal"
    with pytest.raises(JournalError, match="local disk") as refusal:
        refuse_network(path, lambda _: kind)
    assert f"({kind})" in str(refusal.value)
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize("kind", ["", "ext4", "xfs", "btrfs", "tmpfs", "apfs", "fuse.ntfs-3g"])
def test_what_is_local_or_not_known_is_taken(kind, tmp_path):
    refuse_network(tmp_path / "bench.journal", lambda _: kind)


def test_a_journal_is_not_even_made_on_a_network_file_system(path, monkeypatch):
    def on_a_network(asked):
        refuse_network(asked, lambda _: "nfs4")

    monkeypatch.setattr(database, "refuse_network", on_a_network)
    with pytest.raises(JournalError, match="network file system"):
        Store(path)
    assert not path.exists()
