"""Making a record from a job, versions of it, and verifying one against journal and export."""

import io
import json

import pytest
from pydantic import ValidationError

from capture.errors import InputError
from capture.journal.chain import facts_of, read_body
from capture.journal.transfer import export
from capture.journal.trim import plan, trim
from capture.journal.verify import verify as verify_journal
from capture.model import Tag, new_id
from capture.model.job import JobConditions
from capture.model.machine import Nameplate
from capture.model.record import Record, hash_of
from capture.publish.topics import Topics
from capture.records.held import entries_of
from capture.records.keeper import RecordKeeper
from capture.records.sheet import sheet
from capture.records.texts import catalogue
from capture.records.verify import verify


def verified(record_text, path):
    with entries_of(path) as entries:
        return verify(record_text, entries)


def changed(record, **members):
    """A record with members changed, and its hash as it was."""
    return json.dumps(json.loads(record.text()) | members).encode()


def resealed(record, change):
    """A record that somebody changed and hashed anew."""
    content = json.loads(record.text())
    change(content)
    made = Record.model_validate(content)
    return made.model_copy(update={"sha256": hash_of(made)}).text()


def test_the_record_holds_every_reading_with_its_standing_and_origin(done):
    record = done.record
    assert len(record.readings) == 50
    assert {each.standing for each in record.readings} == {"taken", "superseded"}
    gone = [each for each in record.readings if each.standing == "superseded"]
    assert [each.reason for each in gone] == ["lead slipped"]
    keyed = [each for each in record.readings if each.source.kind == "keyed"]
    assert [each.point for each in keyed] == ["U-V", "V-U", "V-W", "W-V", "W-U", "U-W"]
    assert {each.photos for each in keyed} == {(done.photo,)}
    assert [each.at_s for each in record.readings if each.at_s] == [15, 30, 60, 600]
    assert record.signature.operator == "technician"
    assert record.made_by == "foreman"


def test_instruments_are_there_with_what_the_configuration_tells_and_nothing_else(done):
    by_name = {each.name: each for each in done.record.instruments}
    assert by_name["ohm-1"].serial == "A 1043"
    assert by_name["ohm-1"].overdue is False
    assert by_name["lcr-1"].overdue is True
    assert by_name["ins-1"].overdue is None  # nobody told until when
    assert by_name["pulse-tester"].serial is None


def test_the_stored_entry_is_the_record_byte_by_byte_and_its_head_is_an_entry_before_it(done):
    row = done.reader.of_subject("record", str(done.job))[-1]
    assert row.body == done.record.text()
    assert done.record.journal.n < row.n
    assert done.record.sha256 == hash_of(done.record)


def test_making_it_twice_without_a_change_gives_the_same_and_stores_nothing(done):
    before = done.reader.last_n()
    assert done.keeper.make(done.job, "somebody else") == done.record
    assert done.reader.last_n() == before


def test_what_changed_after_the_sign_off_gives_a_new_version_that_names_the_earlier_one(bench):
    bench.do_job(angles=(0,))
    bench.sign_off()
    first = bench.keeper.make(bench.job, "foreman")
    bench.desk.service.register("FAN-07", Nameplate(rated_volts=690, year=2004), bench.who())
    second = bench.keeper.make(bench.job, "foreman")
    assert (second.version, second.record) == (2, first.record)
    assert second.replaces.version == 1
    assert second.replaces.sha256 == first.sha256
    assert bench.keeper.shown(bench.job, "foreman", 1) == first
    assert verified(first.text(), bench.path).notes == ["version 2 has taken its place"]
    assert not verified(second.text(), bench.path).differs


def test_two_that_make_it_at_once_make_one(bench):
    bench.do_job(angles=(0,))
    bench.sign_off()
    other = RecordKeeper(bench.desk, bench.append, bench.config, bench.clock)

    def interfering(batch, expecting=None):
        bench.keeper._append = bench.append
        other.make(bench.job, "the other")
        return bench.append(batch, expecting)

    bench.keeper._append = interfering
    assert bench.keeper.make(bench.job, "foreman").made_by == "the other"
    assert len(bench.keeper.versions(bench.job)) == 1


def test_a_job_that_is_not_signed_off_gives_a_draft_that_no_journal_holds(bench):
    bench.do_job(angles=(0,))
    before = bench.reader.last_n()
    with pytest.raises(InputError, match="not signed off"):
        bench.keeper.make(bench.job, "foreman")
    draft = bench.keeper.shown(bench.job, "foreman")
    assert draft.state == "draft"
    assert draft.signature is None
    assert bench.reader.last_n() == before
    found = verified(draft.text(), bench.path)
    assert found.differs == ["it is a draft: nobody signed it off, and no journal holds it"]


def test_a_record_that_is_signed_off_and_not_made_is_not_passed_off_as_a_draft(bench):
    bench.do_job(angles=(0,))
    bench.sign_off()
    with pytest.raises(InputError, match="make it first"):
        bench.keeper.shown(bench.job, "foreman")


def test_it_verifies_against_the_journal_and_against_an_export_of_it(done, tmp_path):
    out = tmp_path / "bench.jsonl"
    with out.open("wb") as file:
        export(done.path, file)
    for path in (done.path, out):
        found = verified(done.record.text(), path)
        assert (found.differs, found.notes) == ([], [])


def test_a_record_that_was_only_written_anew_still_verifies(done):
    pretty = json.dumps(json.loads(done.record.text()), indent=2).encode()
    assert not verified(pretty, done.path).differs


def test_each_change_is_found_and_named(done):
    record = done.record
    found = verified(changed(record, verdict="fail"), done.path).differs
    assert "it was changed" in found[0]
    assert found[1] == "the journal's version 1 says otherwise in: verdict"
    extra = verified(changed(record, approved=True), done.path).differs
    assert extra == ["it holds more, or other, than a record holds; that is not hashed"]


def test_a_change_that_was_hashed_anew_is_found_by_the_journal(done):
    def digits(content):
        content["readings"][0]["digits"] = "0.9999"

    def result(content):
        content["results"][0]["value"] = 0.001

    def signed(content):
        content["signature"]["operator"] = "chief engineer"

    def head(content):
        content["journal"]["hash"] = "ab" * 32

    def dropped(content):
        del content["readings"][0]

    expected = {
        digits: "reading 1: digits is '0.9999', the journal says '0.8312'",
        result: "result 'resistance unbalance (mean)' says otherwise than the journal",
        signed: "the journal does not say that chief engineer signed it off so",
        head: "one of them was changed",
        dropped: "version 1 says otherwise in: readings",
    }
    for change, words in expected.items():
        found = verified(resealed(done.record, change), done.path).differs
        assert any(words in each for each in found), (change.__name__, found)


def test_an_export_that_was_changed_is_found(done, tmp_path):
    out = io.BytesIO()
    export(done.path, out)
    reading = str(done.record.readings[0].id).encode()
    lines = [
        line.replace(b"0.8312", b"0.8313") if reading in line and b"quantity" in line else line
        for line in out.getvalue().splitlines(keepends=True)
    ]
    path = tmp_path / "changed.jsonl"
    path.write_bytes(b"".join(lines))
    found = verified(done.record.text(), path).differs
    assert any("chain is broken at entry" in each for each in found)
    assert any("reading 1: digits is '0.8312'" in each for each in found)


def test_another_journal_is_told_from_the_one_it_was_made_from(done, bench):
    bench.do_job(angles=(0,))
    found = verified(done.record.text(), bench.path).differs
    assert "it was made from journal" in found[0]
    assert any("holds no version 1" in each for each in found)


@pytest.mark.parametrize(
    "text", [b"", b"{}", b"[1]", b"\xff\xfe", b'{"schema_version": 1}', b"[" * 100_000]
)
def test_what_is_no_record_is_refused_in_a_line(text, done):
    with pytest.raises(InputError, match="not a record"):
        verified(text, done.path)


def test_neither_a_journal_nor_an_export_is_refused(done, tmp_path):
    other = tmp_path / "other.txt"
    other.write_text("hello\n")
    with pytest.raises(InputError, match="neither a journal nor an export"):
        verified(done.record.text(), other)


def test_a_later_tag_of_a_reading_does_not_change_what_was_recorded(bench):
    bench.do_job(angles=(0,))
    bench.sign_off()
    first = bench.keeper.make(bench.job, "foreman")
    tag = Tag(
        id=new_id(),
        site="sawmill",
        bench="bench-1",
        time=bench.clock.utc(),
        operator="technician",
        reading=first.readings[0].id,
        instrument=first.readings[0].instrument,
        machine="FAN-08",
    )
    bench.append([tag])
    assert bench.keeper.make(bench.job, "foreman") == first


def test_what_nobody_confirmed_is_told_and_a_later_confirmation_gives_a_new_version(bench):
    bench.do_job(angles=(0,), discharge=False)
    bench.sign_off()
    first = bench.keeper.make(bench.job, "foreman")
    assert [(each.step, each.what) for each in first.not_confirmed] == [("insulation", "discharge")]
    assert "Nobody has confirmed that the winding was discharged" in str(
        sheet(first, catalogue("en"))["verdict"]["lines"]
    )
    bench.discharge()
    second = bench.keeper.make(bench.job, "foreman")
    assert (second.version, second.not_confirmed) == (2, ())


@pytest.mark.parametrize(
    ("language", "begins"),
    [("en", "Taken, but without a result: inductance."), ("de", "Abgelesen, aber ohne Ergebnis: ")],
)
def test_what_was_taken_and_not_computed_stands_so_and_not_among_what_was_not_done(
    done, language, begins
):
    members = {"not_run": ("pulse",), "without_result": ("inductance",)}
    lines = sheet(done.record.model_copy(update=members), catalogue(language))["verdict"]["lines"]
    assert len([each for each in lines if each.startswith(begins)]) == 1
    not_done = next(each for each in lines if each.startswith(("Not done", "Nicht ausgeführt")))
    assert "ndu" not in not_done  # neither inductance nor Induktivität


def test_the_journal_stays_whole_and_the_record_has_its_topic(done):
    assert not verify_journal(done.path).faults
    row = done.reader.of_subject("record", str(done.job))[-1]
    content = read_body(row.body)
    assert facts_of(content)[:4] == (row.id.bytes, "record", None, str(done.job))
    topic = Topics("sawmill", "bench-1").entry(row.kind, row.instrument, row.subject)
    assert topic == f"benchtally/v1/sawmill/bench-1/record/{done.job}"


def test_a_trimmed_journal_and_what_was_cut_off_it_share_the_proof(bench, tmp_path):
    bench.do_job(angles=(0,))
    bench.sign_off()
    record = bench.keeper.make(bench.job, "foreman")
    bench.clock.advance(3600)
    bench.desk.service.register("FAN-08", Nameplate(), bench.who())
    delivered = {"broker": bench.reader.last_n()}
    cut = tmp_path / "cut.jsonl"
    trim(
        bench.path,
        lambda: plan(bench.path, bench.clock.utc(), delivered),
        to=cut,
        site="sawmill",
        bench="bench-1",
        operator="foreman",
        now=bench.clock.utc(),
    )
    assert not verified(record.text(), cut).differs  # job and record were cut off together
    found = verified(record.text(), bench.path)
    assert "what was cut off before is in an export" in found.notes[0]
    assert any("is not in the journal" in each for each in found.differs)


def test_a_sign_off_stands_whatever_comes_of_its_record(bench):
    bench.do_job(angles=(0,))
    bench.sign_off()
    assert "made_by" in bench.keeper.make_or_say(bench.job, "x" * 300)
    assert bench.keeper.versions(bench.job) == []
    assert bench.keeper.make_or_say(bench.job, "foreman") == ""
    assert len(bench.keeper.versions(bench.job)) == 1


def test_conditions_stand_with_each_step(done):
    angles = {each.conditions.rotor_degrees for each in done.record.steps}
    assert angles == {None, *map(float, range(0, 180, 30))}
    assert isinstance(done.record.conditions, JobConditions)


def test_a_record_without_its_hash_or_its_head_is_none(done):
    content = json.loads(done.record.text())
    for name in ("sha256", "journal", "record", "readings"):
        with pytest.raises(ValidationError):
            Record.model_validate({each: content[each] for each in content if each != name})
