"""How long a record takes: made from the journal, drawn as PDF/A, page, CSV.

    python -P tests/bench/record.py [TIMES]

The job has 68 readings, five plots, six keyed values with one photo. *First* is what a daemon needs
that has just started and drawn nothing yet; *warm* is the median of what comes after. Through HTTP
is a whole request against a served bench, from the request to the last byte.
"""

import argparse
import importlib.util
import statistics
import sys
import tempfile
import time
from pathlib import Path

from capture.records.forms import FORMS, Wish, drawn
from capture.records.keeper import RecordKeeper

TESTS = Path(__file__).parents[1] / "unit"


def helpers(name):
    """Load what the tests make their benches with."""
    spec = importlib.util.spec_from_file_location(f"{name}_bench", TESTS / name / "conftest.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def timed(act, times):
    """Give the first and the median of the later runs, seconds."""
    took = []
    for _ in range(times + 1):
        start = time.perf_counter()
        act()
        took.append(time.perf_counter() - start)
    return took[0], statistics.median(took[1:])


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("times", type=int, nargs="?", default=10)
    times = parser.parse_args().times
    with tempfile.TemporaryDirectory() as folder:
        bench = helpers("records").RecordBench(Path(folder))
        bench.do_job()
        bench.sign_off()
        record = bench.keeper.make(bench.job, "foreman")
        print(f"{len(record.readings)} readings, {len(record.text())} bytes of JSON")
        print(f"{'':24}{'first':>10}{'warm':>10}   seconds")

        def again():
            bench.reopen_desk()
            RecordKeeper(bench.desk, bench.append, bench.config, bench.clock).make(bench.job, "x")

        rows = {"read and computed": timed(again, times)}
        for form in FORMS:
            rows[f"drawn as {form}"] = timed(
                lambda form=form: drawn(record, Wish(form), bench.evidence.get), times
            )
        rows["drawn as pdf, German"] = timed(
            lambda: drawn(record, Wish("pdf", "de", "letter"), bench.evidence.get), times
        )
        bench.close()
        rows |= through_http(Path(folder), bench, times)
    for name, (first, warm) in rows.items():
        print(f"{name:24}{first:10.3f}{warm:10.3f}")
    slow = rows["pdf through HTTP"][1]
    print("under one second" if slow < 1 else "NOT under one second")
    return int(slow >= 1)


def through_http(folder, bench, times):
    """Ask a served bench for it, over the same journal."""
    served = helpers("web").Served(folder)
    try:
        path = f"/api/jobs/{bench.job}/record"

        def ask(form):
            answer = served.client.get(f"{path}.{form}")
            assert answer.status_code == 200, answer.text

        def make():
            assert served.client.post(path).status_code == 201

        return {
            "made through HTTP": timed(make, times),
            **{f"{form} through HTTP": timed(lambda form=form: ask(form), times) for form in FORMS},
        }
    finally:
        served.close()


if __name__ == "__main__":
    sys.exit(main())
