"""A real worker asked how it is, over a real broker and database, also while they are away."""

import http.client
import json
from contextlib import closing

import harness
import pytest
from historian_bench import Historian
from prometheus_client.openmetrics.parser import text_string_to_metric_families as read

from capture.historian.store import Database
from capture.journal import Store

pytestmark = pytest.mark.takes(10)


def ask(port, path):
    with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=harness.LONG)) as connection:
        connection.request("GET", path)
        got = connection.getresponse()
        return got.status, got.read().decode()


def metrics(port):
    return {
        (each.name.removeprefix("benchtally_historian_"), *each.labels.values()): each.value
        for family in read(ask(port, "/metrics")[1])
        for each in family.samples
    }


def test_a_worker_says_how_it_is_and_one_without_its_port_stores_all_the_same(
    rig, broker, conninfo, drafts, server
):
    historian = Historian(rig, broker.port, conninfo, slots=2, gaps="every_s = 0.5\n")
    port = harness.free_port()
    with historian.config.open("a") as file:
        file.write(f"[metrics]\nport = {port}\n")
    worker = historian.worker("--slot", "0")
    historian.listening(worker)
    assert ask(port, "/health") == (200, json.dumps({"status": "ok", "reasons": []}))
    other = historian.worker("--slot", "1")
    historian.listening(other)
    assert "historian.not_answering" in other.said()
    store = Store(rig.journal)
    store.append(drafts(30))
    store.close()
    rig.configure(broker.port)
    daemon = rig.daemon()
    historian.wait_for_ids([each.id for each in rig.entries()])
    assert daemon.stop() == 0, daemon.said()
    # The other one has got about half of it.
    harness.wait_until(lambda: metrics(port)["stored_total",] > 0, "it says what it stored")
    harness.wait_until(
        lambda: metrics(port).get(("benches", "offline")) == 1, "it says what it heard"
    )
    found = metrics(port)
    assert found["slots_served",] == found["slots",] == 2
    assert found["slot",] == 0
    assert found["database_up",] == 1
    assert found["last_stored_timestamp_seconds",] > 0
    server.stop()
    try:
        harness.wait_until(lambda: ask(port, "/health")[0] == 503, "it says that it cannot store")
        assert metrics(port)["failures_total",] >= 1
    finally:
        server.start()
    harness.wait_until(lambda: ask(port, "/health")[0] == 200, "it is well again")
    for each in (worker, other):
        assert each.stop() == 0, each.said()


def test_the_server_compiles_no_question_of_ours(conninfo):
    """It took five seconds to compile for `historian status` what it answers in a twentieth of one."""
    with closing(Database(conninfo, "")) as database:
        assert database.fetch("SHOW jit") == [("off",)]
