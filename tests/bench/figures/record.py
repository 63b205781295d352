"""How long a record takes in the running daemon: made from the journal, drawn as PDF/A, through HTTP.

The job has sixty-eight readings, five plots, six keyed values and a photo. *First* is the first record
that a daemon makes after its start; then the same again, for which it makes a new version each time.
"""

import importlib.util
import statistics
import tempfile
import time
from pathlib import Path

import harness
from figure import Figure, spread
from rig import Rig
from tablet import log_in

_BENCH = Path(__file__).parents[2] / "unit" / "records" / "conftest.py"
_GOAL = 1.0


def figures(repeat):
    """Serve a bench whose job is done, and ask for its record as a tablet does."""
    with tempfile.TemporaryDirectory() as folder:
        rig = Rig(Path(folder))
        try:
            first, later, readings = _run(rig, repeat)
        finally:
            rig.close()
    middle = statistics.median(later)
    yield Figure(
        f"record of {readings} readings in the daemon, PDF/A, s",
        f"{middle:.2f}",
        f"< {_GOAL:g}",
        middle < _GOAL,
        f"{spread(later, '.2f')}, made and drawn",
    )
    yield Figure(
        "… the first one after the start, s",
        f"{first:.2f}",
        f"< {_GOAL:g}",
        first < _GOAL,
        "with what is imported and compiled for it",
    )


def _run(rig, repeat):
    records = _conftest()
    bench = records.RecordBench(rig.folder)
    bench.do_job()
    bench.sign_off()
    job = bench.job
    bench.close()
    rig.configure(rig.mosquitto().port, more="[web]\nport = 0\n" + _equipment(records.EQUIPMENT))
    text = rig.config.read_text("utf-8")
    rig.config.write_text(text.replace(rig.journal.name, bench.path.name), "utf-8")
    daemon = rig.daemon()
    url = daemon.wait_for("web.started")["url"]
    client = log_in(int(url.rpartition(":")[2]), "technician", timeout=harness.LONG)
    took = []
    for _ in range(repeat + 1):
        began = time.perf_counter()
        made = client.post(f"/api/jobs/{job}/record")
        drawn = client.get(f"/api/jobs/{job}/record.pdf")
        took.append(time.perf_counter() - began)
        assert made.status_code == 201, made.text
        assert drawn.content.startswith(b"%PDF-"), drawn.text
    readings = len(client.get(f"/api/jobs/{job}/record.json").json()["readings"])
    client.close()
    assert daemon.stop() == 0, daemon.said()
    return took[0], took[1:], readings


def _conftest():
    """Load what the tests of records make their bench with."""
    spec = importlib.util.spec_from_file_location("records_bench", _BENCH)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _equipment(equipment):
    return "".join(
        f"[equipment.{name}]\n" + "".join(f'{key} = "{value}"\n' for key, value in about.items())
        for name, about in equipment.items()
    )
