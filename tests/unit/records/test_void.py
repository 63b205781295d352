"""Records of void jobs: none passes for a certificate, neither a later version nor an earlier one."""

import csv
import io

import pytest

from capture.errors import InputError
from capture.model.job import Noted
from capture.records.forms import Wish, drawn, file_name
from capture.records.held import entries_of
from capture.records.sheet import sheet
from capture.records.texts import catalogue
from capture.records.verify import verify

WHY = "begun on the wrong machine"


def void(bench):
    bench.act(Noted(text=WHY, voids=True))


@pytest.fixture
def signed(bench):
    """A job that is signed off, with its record."""
    bench.do_job(angles=(0,))
    bench.sign_off()
    bench.keeper.make(bench.job, "foreman")
    return bench


def verified(bench, record):
    with entries_of(bench.path) as entries:
        return verify(record.text(), entries)


def test_one_that_was_signed_gets_a_version_that_says_so(signed):
    (before,) = signed.keeper.versions(signed.job)
    void(signed)
    assert signed.keeper.make_or_say(signed.job, "foreman") == ""
    made = signed.keeper.versions(signed.job)[-1]
    assert (made.version, made.replaces.sha256) == (2, before.sha256)
    assert (made.voided.operator, made.voided.reason) == ("technician", WHY)
    assert (made.state, made.verdict, made.decided_by) == ("signed-off", "not applicable", ())
    assert made.signature == before.signature
    assert [each.id for each in made.readings] == [each.id for each in before.readings]
    assert all(each.voided for each in made.results)
    assert not made.trends
    assert signed.keeper.make(signed.job, "foreman") == made, "nothing changed since"


def test_the_earlier_version_does_not_verify_any_more_and_the_later_one_does(signed):
    (before,) = signed.keeper.versions(signed.job)
    assert not verified(signed, before).differs
    void(signed)
    signed.keeper.make(signed.job, "foreman")
    (differs,) = verified(signed, before).differs
    assert differs.startswith("the job was voided by technician at ")
    assert differs.endswith(f": {WHY}; this version is no certificate any more")
    found = verified(signed, signed.keeper.versions(signed.job)[-1])
    assert not found.differs
    assert found.notes == [f"the job is void, and the record says so: {WHY}"]


def test_that_a_job_is_void_cannot_be_made_up(signed):
    (before,) = signed.keeper.versions(signed.job)
    void(signed)
    made = signed.keeper.make(signed.job, "foreman")
    changed = made.voided.model_copy(update={"operator": "somebody else"})
    found = verified(signed, made.model_copy(update={"voided": changed}))
    assert "the journal does not say that somebody else voided the job so" in found.differs
    assert before.voided is None


def test_one_that_nobody_signed_is_a_draft_and_void(bench):
    bench.do_job(angles=(0,))
    void(bench)
    assert bench.keeper.make_or_say(bench.job, "foreman") == ""
    assert bench.keeper.versions(bench.job) == []
    with pytest.raises(InputError, match="not signed off"):
        bench.keeper.make(bench.job, "foreman")
    record = bench.keeper.shown(bench.job, "foreman")
    assert (record.state, record.voided.reason) == ("draft", WHY)
    assert file_name(record, "pdf").endswith("-draft-void.pdf")


def test_all_records_leave_void_jobs_out(signed):
    assert signed.keeper.jobs_since(None) == [signed.job]
    void(signed)
    assert signed.keeper.jobs_since(None) == []


def test_later_records_of_the_machine_have_no_trend_over_it(signed):
    void(signed)
    signed.do_job(angles=(0,))
    signed.sign_off()
    assert not signed.keeper.make(signed.job, "foreman").trends


@pytest.mark.parametrize("language", ["en", "de"])
def test_its_pages_say_so_before_all_else_and_across_each_page(signed, language):
    void(signed)
    record = signed.keeper.make(signed.job, "foreman")
    text = catalogue(language)
    said = sheet(record, text)
    assert WHY in said["draft"]
    assert said["draft_word"] == text("void_word")
    assert (said["verdict"]["word"], said["verdict"]["mark"]) == (text("void_word"), "bad")
    page = drawn(record, Wish("html", language), signed.evidence.get).decode()
    assert page.index(WHY) < page.index(text("verdict"))
    rows = list(csv.reader(io.StringIO(drawn(record, Wish("csv", language), signed.evidence.get)
                                       .decode("utf-8-sig")), delimiter=";" if language == "de" else ","))  # fmt: skip
    assert rows[1][0] == text("void_word")
    assert WHY in rows[1]
