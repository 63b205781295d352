"""What docs/historian.md tells people to do, done as it says, at a real PostgreSQL."""

import json
import re
import shlex
import subprocess
from pathlib import Path

import harness
import psycopg
import pytest
from historian_bench import Historian

from capture.historian.intake import row_of
from capture.historian.migrate import require
from capture.historian.store import Database

GUIDE = (Path(__file__).parents[2] / "docs" / "historian.md").read_text("utf-8")
STATEMENTS = [
    each.strip()
    for block in re.findall(r"^```sql\n(.*?)^```", GUIDE, re.MULTILINE | re.DOTALL)
    for each in block.split(";")
    if each.strip()
]
TOPIC = f"{harness.ROOT}/reading/ohm-1/resistance"
MONTH = "readings_2026_01"  # of the readings that tests make, and of the guide


@pytest.fixture
def historian(rig, server):
    return Historian(rig, 1, server.database())


@pytest.fixture
def store(database, drafts):
    """Store so many more readings of January 2026, as the worker that has been there all the time."""
    counted = iter(range(1, 1000))

    def more(count):
        items = []
        for draft in drafts(count):
            said = json.loads(draft.model_dump_json()) | {"sequence": next(counted)}
            payload = json.dumps(said).encode()
            items.append((row_of(TOPIC, payload), TOPIC, payload))
        database.store(items)

    return more


def test_every_statement_runs_and_a_month_can_be_dropped_or_kept_under_a_running_worker(
    historian, database, store
):
    store(5)
    (role,) = set(
        re.findall(r" TO (\w+)", " ".join(each for each in STATEMENTS if "GRANT" in each))
    )
    with psycopg.connect(historian.conninfo, autocommit=True) as connection:
        connection.execute(f"DROP ROLE IF EXISTS {role}")
        connection.execute(f"CREATE ROLE {role}")
        before = 5
        for statement in STATEMENTS:
            connection.execute(statement)
            if statement.startswith("DROP"):
                assert MONTH in statement
                assert historian.count() == 0
                store(3)
                before = 3
                assert historian.count() == 3, "the month was made anew"
            if "RENAME" in statement:
                assert historian.count() == 0
                store(2)
                assert historian.count() == 2
                ((kept,),) = historian.rows(f"SELECT count(*) FROM benchtally.kept_{MONTH}")
                assert kept == before
        connection.execute(f"SET ROLE {role}")
        for name in ("readings", "incomplete", "benches", "last_values", "trend"):
            connection.execute(f"SELECT count(*) FROM benchtally.{name}")
    assert database.quarantined == 0
    assert sum(each.startswith("SELECT") for each in STATEMENTS) >= 2


def test_a_name_that_a_kept_month_still_has_sends_what_comes_to_quarantine_as_told(
    historian, database, store
):
    store(1)
    with psycopg.connect(historian.conninfo, autocommit=True) as connection:
        connection.execute(f"ALTER TABLE benchtally.readings DETACH PARTITION benchtally.{MONTH}")
    store(1)
    assert database.quarantined == 1


def test_every_table_and_view_that_is_there_is_told(historian):
    rows = re.findall(r"^\| `(\w+)`(?:, `(\w+)`)? \|", GUIDE, re.MULTILINE)
    names = {name for row in rows for name in row if name}
    there = {
        name
        for (name,) in historian.rows(
            "SELECT relname FROM pg_class WHERE relnamespace = 'benchtally'::regnamespace "
            "AND relkind IN ('r', 'p', 'v') AND NOT relispartition"
        )
    }
    inner = {"migrations", "quarantined"}
    assert there - inner <= names


def test_a_backup_is_made_and_put_back_as_told(historian, server, store, tmp_path):
    store(4)
    dump, *put_back = re.findall(r"^((?:pg_dump|psql|pg_restore) .*)$", GUIDE, re.MULTILINE)

    def run(line):
        words = [
            {
                "plant": f"--dbname={historian.conninfo}",
                "--dbname=plant": f"--dbname={historian.conninfo}",
            }.get(each, each.replace("plant.dump", str(tmp_path / "plant.dump")))
            for each in shlex.split(line)
        ]
        done = subprocess.run(
            [server._bin / words[0], *words[1:]], capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr

    run(dump)
    store(3)
    assert historian.count() == 7
    for line in put_back:
        run(line)
    assert historian.count() == 4
    assert historian.rows("SELECT count(*) FROM benchtally_before.readings") == [(7,)]
    again = Database(historian.conninfo, "")
    try:
        require(again.connection)
        again.prepare()
    finally:
        again.close()
