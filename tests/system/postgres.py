"""A PostgreSQL server of the tests' own: Debian's programs, a folder of its own, never as root."""

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import uuid
from pathlib import Path

import harness
import psycopg


def programs():
    """Give the folder of Debian's newest PostgreSQL."""
    found = sorted(
        Path("/usr/lib/postgresql").glob("*/bin"), key=lambda each: float(each.parent.name)
    )
    assert found, "these tests need PostgreSQL; `make test` installs Debian's"
    return found[-1]


class Postgres:
    """One server; `database()` gives a new, empty database in it."""

    def __init__(self, *, durable=False):
        """With ``durable`` it syncs, as in a plant; without, it is quicker."""
        self.folder = Path(tempfile.mkdtemp(prefix="benchtally-pg-", dir="/tmp"))
        self._user = {}
        if os.geteuid() == 0:
            who = pwd.getpwnam("postgres")
            os.chown(self.folder, who.pw_uid, who.pw_gid)
            self._user = {"user": who.pw_uid, "group": who.pw_gid, "extra_groups": []}
        self._bin = programs()
        self._durable = durable
        self._process = None
        self._run(
            "initdb", "-D", self.folder / "data", "-A", "trust", "-U", "tester", "-E", "UTF8", "-N"
        )
        # Not before: making the folder takes seconds, in which somebody else may be given that port.
        self.port = harness.free_port()
        self.start()

    def _run(self, program, *arguments):
        done = subprocess.run(
            [self._bin / program, *arguments],
            capture_output=True, text=True, check=False, cwd=self.folder, **self._user,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout + done.stderr

    def start(self):
        options = {
            "listen_addresses": "127.0.0.1", "port": self.port, "max_connections": 50,
            "unix_socket_directories": self.folder,
            "fsync": "on" if self._durable else "off",
            "synchronous_commit": "on" if self._durable else "off",
        }  # fmt: skip
        said = [part for name, value in options.items() for part in ("-c", f"{name}={value}")]
        log = (self.folder / "log").open("ab")
        self._process = subprocess.Popen(
            [self._bin / "postgres", "-D", self.folder / "data", *said],
            stdout=log, stderr=log, cwd=self.folder, start_new_session=True, **self._user,
        )  # fmt: skip
        log.close()
        harness.wait_until(self._answers, "PostgreSQL answers")

    def _answers(self):
        assert self._process.poll() is None, (self.folder / "log").read_text()[-500:]
        try:
            psycopg.connect(self.conninfo("postgres"), connect_timeout=2).close()
        except psycopg.Error:
            return False
        return True

    def stop(self, *, at_once=False):
        """Stop it: clients are cut off and it writes down what it has; or at once, as if it died."""
        self._process.send_signal(signal.SIGQUIT if at_once else signal.SIGINT)
        self._process.wait(30)

    def conninfo(self, database):
        return f"host=127.0.0.1 port={self.port} user=tester dbname={database}"

    def database(self):
        """Make an empty database; give how to connect to it.

        The server is started where a test that failed has left it stopped.
        """
        if self._process.poll() is not None:
            self.start()
        name = f"t{uuid.uuid4().hex[:12]}"
        with psycopg.connect(self.conninfo("postgres"), autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}")
        return self.conninfo(name)

    def end(self):
        if self._process.poll() is None:
            self.stop(at_once=True)
        shutil.rmtree(self.folder, ignore_errors=True)
