"""Remembered states: always what a replay of all entries gives, and only what is new is read."""

from capture.jobs.memory import StateMemory
from capture.jobs.state import replay
from capture.model.job import JobEntry, Noted


def replayed(bench):
    """Replay the job from the file alone."""
    rows = bench.reader.of_subject("job", str(bench.job))
    return replay((row.n, JobEntry.model_validate_json(row.body)) for row in rows)


def test_a_remembered_state_is_what_a_replay_gives_whoever_wrote(bench):
    bench.begin("three-pair-inductance")
    other = bench.another_desk()
    for n in range(6):
        desk = (bench.desk, other)[n % 2]
        last = desk.service.state(bench.job).last
        desk.act(bench.job, Noted(text=f"note {n}"), bench.who(), last)
        assert bench.service.state(bench.job) == replayed(bench)
    assert other.service.state(bench.job) == replayed(bench)
    assert bench.service.jobs() == other.service.jobs() == [replayed(bench)]


def test_a_look_reads_only_what_is_new(bench, monkeypatch):
    bench.begin("three-pair-inductance")
    for n in range(5):
        bench.act(Noted(text=f"note {n}"))
    read = []
    of_subject = bench.reader.of_subject

    def counted(*given, **more):
        rows = of_subject(*given, **more)
        read.append(len(rows))
        return rows

    monkeypatch.setattr(bench.reader, "of_subject", counted)
    assert bench.service.jobs() == [bench.state]
    assert sum(read) == 0
    bench.append([entry_of(bench, "from elsewhere")])
    assert bench.state.notes[-1] == "from elsewhere"
    assert sum(read) == 1


def entry_of(bench, text):
    return JobEntry(
        id=bench.who().id,
        site="sawmill",
        bench="bench-1",
        job=bench.job,
        time=bench.clock.utc(),
        operator="foreman",
        event=Noted(text=text),
    )


def test_an_older_state_never_takes_the_place_of_a_newer_one(bench):
    memory = StateMemory()
    old = bench.begin("three-pair-inductance")
    new = bench.act(Noted(text="dusty"))
    memory.put(new)
    memory.put(old)
    assert memory.get(bench.job) == new
