"""Whatever is on the bench, a trim cuts whole old jobs only, and nothing is lost between the parts."""

import json
import sys
import tempfile
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1] / "unit" / "journal"))

import journal_entries as make

from capture.journal import JournalReader, Store
from capture.journal.rebuild import rebuild
from capture.journal.trim import plan, trim
from capture.journal.verify import verify


@st.composite
def a_bench(draw, draft):
    """Entries of some jobs that overlap in time, signed off or not, with readings between them."""
    batch, jobs, readings, day = [], {}, [], 1
    for _ in range(draw(st.integers(1, 25))):
        day += draw(st.sampled_from([0, 0, 1, -1]))
        time = make.day(max(day, 1))
        going = [job for job, signed in jobs.items() if not signed]
        match draw(st.sampled_from(["reading", "reading", "start", "take", "sign", "result"])):
            case "start":
                jobs[job := make.new_job()] = False
                batch.append(make.started(job, time))
            case "take" if going and readings:
                chosen = draw(st.lists(st.sampled_from(readings), min_size=1, max_size=3))
                batch.append(make.taken(draw(st.sampled_from(going)), chosen, time))
            case "sign" if going:
                jobs[job := draw(st.sampled_from(going))] = True
                batch += make.signed_off(job, time)
            case "result" if readings:
                job = draw(st.sampled_from([None, *going]))
                batch.append(make.result(job, [draw(st.sampled_from(readings))], time))
            case _:
                readings.append(draft(time=time, instrument=draw(st.sampled_from(["a", "b"]))))
                batch.append(readings[-1])
    return batch, jobs


def rows_of(path):
    reader = JournalReader(path)
    try:
        return [(row.n, row.kind, row.subject, row.body) for row in reader.after(0, 10_000)]
    finally:
        reader.close()


@settings(
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(st.data())
def test_a_trim_cuts_whole_old_jobs_and_loses_nothing(draft, data):
    batch, jobs = data.draw(a_bench(draft))
    before = make.day(data.draw(st.integers(1, 10)))
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "bench.journal"
        store = Store(path)
        store.append(batch)
        store.close()
        rows = rows_of(path)
        delivered = {"a": data.draw(st.integers(0, len(rows))), "b": len(rows)}
        anchor = trim(
            path,
            lambda: plan(path, before, delivered),
            to=Path(name) / "cut",
            site="sawmill",
            bench="bench-1",
            operator="winder",
            now=make.day(90),
        )
        assert rebuild(path) == {}
        found = verify(path)
        assert found.ok, found.faults
        if anchor is None:
            assert rows_of(path) == rows
            return
        exported = (Path(name) / "cut").read_text("utf-8").splitlines()[1:-1]
        cut = [json.loads(json.loads(line)["body"]) for line in exported]
        kept = rows_of(path)
    assert [json.loads(row[-1]) for row in rows] == [
        *cut,
        *(json.loads(row[-1]) for row in kept if row[1] != "anchor"),
    ]
    assert len(cut) == anchor.count <= min(delivered.values())
    assert all(body["time"] < before.isoformat() for body in cut)
    gone = {body["id"] for body in cut}
    stays = [json.loads(row[-1]) for row in kept]
    for body in stays:
        event = body.get("event", {})
        used = {*event.get("readings", ()), *body.get("inputs", ())}
        assert not used & gone, "a job or a result that stays has all its readings"
    names = {body["job"] for body in cut if body.get("job")}
    assert all(jobs[make.uuid.UUID(name)] for name in names), "open jobs stay"
    assert not names & {body.get("job") for body in stays}, "no job is split"
