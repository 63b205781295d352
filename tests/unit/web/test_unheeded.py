"""The pages say it when readings come in that no job takes."""

from capture.jobs.watcher import Watch

WORDS = "inductance comes in from lcr-1, but the job is <paused>"
SHOWN = "Inductance comes in from lcr-1, but the job is &lt;paused&gt;."


def page(served, path):
    answer = served.client.get(path)
    assert answer.status_code == 200, answer.text
    return answer.text


def test_a_test_while_the_job_is_paused_is_told_where_a_person_looks(served):
    started = served.start()
    job = started["job"]
    served.act(started, "paused", reason="tea break")
    served.seen = Watch(job=job, instrument="lcr-1", reason=WORDS)
    assert SHOWN in page(served, f"/jobs/{job}")
    bench = page(served, "/")
    assert SHOWN in bench
    assert f'<a href="/jobs/{job}">Go to that job</a>' in bench


def test_nothing_is_told_of_another_job_nor_when_nothing_comes(served):
    started = served.start()
    job = started["job"]
    served.act(started, "finished")
    served.seen = Watch(job="another", instrument="lcr-1", reason=WORDS)
    assert SHOWN not in page(served, f"/jobs/{job}")
    served.seen = Watch()
    assert 'data-part="unheeded"' not in page(served, f"/jobs/{job}")
    assert "Go to that job" not in page(served, "/")


def test_a_voltage_while_another_step_is_due_is_told_there_too(served):
    job = served.start("three-pair-inductance")["job"]
    words = "insulation resistance comes in from ins-1, but step inductance-u-v is to be done"
    served.seen = Watch(job=job, instrument="ins-1", reason=words)
    shown = page(served, f"/jobs/{job}")
    assert shown.count(f"I{words[1:]}.") == 1
    assert 'data-part="unheeded"' in shown


def test_a_step_that_is_waited_for_says_what_it_waits_for_and_no_more(served):
    job = served.start("three-pair-inductance")["job"]
    served.seen = Watch(job=job, step="inductance-u-v", instrument="lcr-1", reason="it settles")
    shown = page(served, f"/jobs/{job}")
    assert shown.count("It settles.") == 1
    assert 'data-part="unheeded"' not in shown
