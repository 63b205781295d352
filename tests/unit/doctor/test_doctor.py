"""What the doctor finds, each thing by itself."""

import os
import pty
import socket
import threading
from contextlib import contextmanager
from datetime import timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from capture import extras
from capture.clock import ManualClock
from capture.config import Config, SerialSettings, TcpSettings, UnixSettings, UsbtmcSettings
from capture.doctor import bench, host, storage, web
from capture.errors import JournalDamaged
from capture.journal import Store
from capture.journal.quick import look_over


def config_of(folder, **members):
    made = Config(site="sawmill", bench="bench-1", journal={"path": "b.journal"}, **members)
    made._folder = folder
    return made


# ── the clock ────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("says", "level", "word"),
    [(True, "ok", "follows a reference"), (False, "look", "no reference"), (None, "look", "known")],
)
def test_a_clock_is_as_good_as_what_it_follows(says, level, word):
    clock = ManualClock()
    clock.says_synchronised = says
    found = host.clock(clock, clock.utc())
    assert (found.level, word in found.says) == (level, True)


def test_a_clock_behind_the_journal_or_in_another_age_is_wrong():
    clock = ManualClock()
    clock.says_synchronised = True
    assert host.clock(clock, clock.utc() + timedelta(minutes=1)).level == "ok"
    found = host.clock(clock, clock.utc() + timedelta(minutes=3))
    assert (found.level, "before the journal's newest entry" in found.says) == ("wrong", True)
    clock.step_utc(-40 * 365 * 86400)
    assert "cannot be" in host.clock(clock, None).says


# ── what is installed ────────────────────────────────────────────────────────────────────────


def test_an_extra_is_wrong_only_where_it_is_needed(tmp_path, monkeypatch):
    monkeypatch.setitem(extras.MODULES, "web", ("no_such_module_anywhere",))
    needed = {each.what: each for each in host.extras(config_of(tmp_path, web={}))}
    assert needed["extra web"].level == "wrong"
    assert needed["extra web"].do == "pip install 'benchtally[web]'"
    assert {each.what: each.level for each in host.extras(config_of(tmp_path))}["extra web"] == "ok"


def test_versions_name_python_and_the_libraries():
    said = " ".join(each.says for each in host.versions())
    assert "Python 3." in said
    assert "paho-mqtt 2." in said


# ── ports: looked at, never opened ───────────────────────────────────────────────────────────


@pytest.fixture
def terminal(tmp_path):
    """A pseudo-terminal under a name of its own, whose other end is ours."""
    ours, theirs = pty.openpty()
    link = tmp_path / "port"
    link.symlink_to(os.ttyname(theirs))
    os.close(theirs)
    yield str(link)
    os.close(ours)


def port(link, daemon=None):
    return bench._port("instrument ohm-1", link, daemon)


def test_a_port_that_is_there_and_free_is_ok(terminal):
    found = port(SerialSettings(port=terminal))
    assert (found.level, "held by nobody" in found.says) == ("ok", True)


def test_a_port_that_is_not_there_is_for_a_person_to_look_at(tmp_path):
    for link in (
        SerialSettings(port=str(tmp_path / "gone")),
        SerialSettings(port="usb:dead:beef:1"),
        UsbtmcSettings(device=str(tmp_path / "usbtmc0")),
        UnixSettings(path=str(tmp_path / "socket")),
    ):
        found = port(link)
        assert found.level == "look"
        assert "benchtally ports" in found.do


def test_who_holds_a_port_is_told_and_our_own_daemon_may(terminal, monkeypatch):
    monkeypatch.setattr(bench, "holder_of", lambda path: "minicom (process 77)")
    found = port(SerialSettings(port=terminal))
    assert (found.level, "minicom (process 77)" in found.says) == ("wrong", True)
    found = port(SerialSettings(port=terminal), daemon=77)
    assert (found.level, "this bench's daemon" in found.says) == ("ok", True)
    assert port(SerialSettings(port=terminal), daemon=7).level == "wrong"


def test_a_missing_permission_is_wrong_and_says_what_gives_it(terminal, monkeypatch):
    monkeypatch.setattr(bench, "missing_permission", lambda device: "add this user to group x")
    found = port(SerialSettings(port=terminal))
    assert (found.level, found.do) == ("wrong", "add this user to group x")


def test_what_is_reached_over_a_network_is_not_tried():
    found = port(TcpSettings(host="192.0.2.10"))
    assert (found.level, "not tried" in found.says) == ("ok", True)


def test_an_instrument_whose_driver_is_not_there_is_wrong(tmp_path):
    link = {"kind": "tcp", "host": "192.0.2.1"}
    config = config_of(tmp_path, instruments={"x": {"driver": "no-such", "link": link}})
    found = [each for each in bench.drivers(config) if each.level == "wrong"]
    assert [("instruments.x.driver" in each.says) for each in found] == [True]


def test_a_daemon_is_told_from_a_lock_that_was_left(tmp_path):
    path = tmp_path / "b.journal"
    lock = tmp_path / "b.journal.lock"
    assert bench.daemon_of(path) is None
    for left in ("", "no number", "999999999", "1" * 40, str(os.getppid())):
        lock.write_text(left)
        found = bench.daemon_of(path)
        assert found is None or b"benchtally" in _command_line(found)
    assert lock.read_text() == str(os.getppid()), "the lock is not written to"


def _command_line(pid):
    return Path(f"/proc/{pid}/cmdline").read_bytes()


# ── disk and journal ─────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("kind", "free", "levels"),
    [
        ("ext4", 1 << 40, ["ok", "ok"]),
        ("", 1 << 40, ["ok", "ok"]),
        ("nfs4", 1 << 40, ["wrong", "ok"]),
        ("tmpfs", 500 << 20, ["look", "look"]),
        ("ext4", 10 << 20, ["ok", "wrong"]),
    ],
)
def test_the_disk_is_judged_by_its_kind_and_its_room(tmp_path, kind, free, levels):
    found = list(storage.disk(config_of(tmp_path), kind_of=lambda _: kind, room=lambda _: free))
    assert [each.level for each in found[:2]] == levels


def test_folders_that_are_not_there_yet_are_judged_by_the_one_above(tmp_path, monkeypatch):
    config = config_of(tmp_path / "a" / "b")
    levels = {each.what: each for each in storage.disk(config)}
    assert levels["evidence folder"].says.startswith(f"{tmp_path}: ")
    monkeypatch.setattr(os, "access", lambda *_: False)
    levels = {each.what: each.level for each in storage.disk(config)}
    assert (levels["journal folder"], levels["evidence folder"]) == ("wrong", "wrong")
    assert not (tmp_path / "a").exists()


def test_a_journal_is_looked_over_and_its_newest_stamp_given(tmp_path, drafts):
    path = tmp_path / "b.journal"
    found, newest = storage.journal(path)
    assert (found.level, newest) == ("ok", None)
    store = Store(path)
    store.append(drafts(5))
    store.close()
    found, newest = storage.journal(path)
    assert (found.level, "5 entries" in found.says) == ("ok", True)
    assert newest == drafts(1)[0].time


def test_the_quick_look_covers_the_newest_and_names_what_does_not_hold(tmp_path, drafts):
    path = tmp_path / "b.journal"
    store = Store(path)
    store.append(drafts(50))
    assert look_over(path) == look_over(path, 50)
    assert (look_over(path).last, look_over(path).checked) == (50, 50)
    assert look_over(path, 10).checked == 10
    store._connection.execute("UPDATE entries SET body = x'7b7d' WHERE n = 45")
    assert "entry 45" in look_over(path, 10).fault
    assert look_over(path, 5).fault == "", "it looks no further back"
    store.close()
    assert storage.journal(path)[0].level == "wrong"


def test_the_quick_look_reads_on_after_entries_were_cut_off(tmp_path, drafts):
    path = tmp_path / "b.journal"
    store = Store(path)
    assert (look_over(path).last, look_over(path).checked) == (0, 0)
    store.append(drafts(3))
    head = store._connection.execute("SELECT hash FROM entries WHERE n = 2").fetchone()[0]
    base = f'{{"n": 2, "hash": "{head.hex()}"}}'
    store._connection.execute("INSERT INTO meta VALUES ('base', ?)", (base,))
    assert (look_over(path).fault, look_over(path).checked) == ("", 1)
    store.close()


def test_a_damaged_journal_is_wrong(tmp_path):
    path = tmp_path / "b.journal"
    path.write_bytes(b"\xa5" * 8192)
    with pytest.raises(JournalDamaged):
        look_over(path)
    assert storage.journal(path)[0].level == "wrong"


# ── the web port ─────────────────────────────────────────────────────────────────────────────


@contextmanager
def answering(body, status=200):
    """Something that answers every GET with this."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self):
            self.send_response(status)
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *args):
            pass

    with HTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.05,))
        thread.start()
        try:
            yield server.server_port
        finally:
            server.shutdown()
            thread.join(10)


def web_of(folder, port_, daemon):
    (found,) = web.web(config_of(folder, web={"port": port_}), daemon)
    return found


def test_a_port_is_free_ours_anothers_or_a_strangers(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as probe:
        free = probe.getsockname()[1]
    assert web_of(tmp_path, free, None).level == "ok"
    with answering(b'{"status": "degraded", "reasons": []}', 200) as port_:
        ours = web_of(tmp_path, port_, 77)
        assert (ours.level, "says degraded" in ours.says) == ("ok", True)
        anothers = web_of(tmp_path, port_, None)
        assert (anothers.level, "another bench" in anothers.says) == ("wrong", True)
    for body in (b"hello", b"[]", b'{"status": "\x1b[31mred"}', b'{"status": 1}'):
        with answering(body) as port_:
            strangers = web_of(tmp_path, port_, 77)
        assert strangers.level == "wrong"
        assert "\x1b" not in strangers.says


def test_a_port_that_changes_at_each_start_is_told(tmp_path):
    assert web_of(tmp_path, 0, None).level == "look"


def test_without_a_section_nothing_is_served(tmp_path):
    (found,) = web.web(config_of(tmp_path), None)
    assert found.level == "ok"
