"""Workers of a historian in threads or processes, and what they have in their database."""

import json
import signal

import harness
import psycopg
from postgres import Postgres

from capture.historian.migrate import migrate

__all__ = ["Historian", "Postgres"]


class Historian:
    """A group of workers on one database, each a program of its own."""

    def __init__(self, rig, port, conninfo, *, slots=1, gaps="", more="", database=""):
        self.rig, self.conninfo = rig, conninfo
        self.config = rig.folder / "historian.toml"
        self.config.write_text(
            f'slots = {slots}\n[broker]\nport = {port}\n{more}[database]\nconninfo = "{conninfo}"\n{database}'
            f'[gaps]\n{gaps}[log]\nform = "json"\n'
        )
        with psycopg.connect(conninfo, autocommit=True) as connection:
            migrate(connection)

    def worker(self, *arguments):
        """Start one."""
        return self.rig.staying("historian", "run", "--config", self.config, *arguments)

    def listening(self, worker, count=1):
        """Wait until a worker listens; give what it said of it."""

        def said():
            assert worker.running(), worker.said()
            found = [
                json.loads(line)
                for line in worker.said().splitlines()
                if "historian.listens" in line
            ]
            return found[count - 1 :]

        return harness.wait_until(said, "a worker listens")[0]

    def known(self, worker):
        """Give how many entries a worker had already, as it last said; it says so every ten seconds."""
        said = [
            json.loads(line) for line in worker.said().splitlines() if "historian.stored" in line
        ]
        return said[-1]["known"] if said else 0

    def rows(self, query, *arguments):
        with psycopg.connect(self.conninfo, autocommit=True) as connection:
            return connection.execute(query, arguments).fetchall()

    def ids(self):
        """Give the ids of everything stored."""
        tables = ("readings", "tags", "results", "records", "interruptions")
        return [
            str(id_)
            for table in tables
            for (id_,) in self.rows(f"SELECT id FROM benchtally.{table}")
        ]

    def count(self):
        return self.rows("SELECT count(*) FROM benchtally.readings")[0][0]

    def wait_for_ids(self, ids, seconds=harness.LONG):
        wanted = set(ids)
        harness.wait_until(
            lambda: wanted <= set(self.ids()), f"{len(wanted)} entries stored", seconds
        )

    def kill(self, worker):
        worker.signal_all(signal.SIGKILL)
        worker.wait()
