"""The tables of a record: what was not so for all of a job stands beside each reading."""

import pytest

from capture.model.job import ConditionsChanged, JobConditions, Redone
from capture.records.forms import Wish, drawn
from capture.records.tables import Tables
from capture.records.texts import catalogue


def readings(bench, title, language="en"):
    drawn = Tables(bench.keeper.shown(bench.job, "technician"), catalogue(language))
    tables = [*drawn.readings(), drawn.gone()]
    (table,) = [each for each in tables if each.title.startswith(title)]
    return [dict(zip(table.head, row, strict=True)) for row in table.rows]


def meanwhile(bench, reason, *acts):
    """Have acts done, and a pair read again, before the job's pulses."""
    discharge = bench.discharge

    def discharged():
        discharge()
        for act in (*acts, Redone(step="resistance-u-v", reason=reason)):
            bench.act(act)
        bench.take("resistance-u-v", [bench.store_reading("resistance", 0.83, "ohm-1")])

    bench.discharge = discharged


def test_a_temperature_that_holds_for_the_whole_job_stands_at_its_head_only(bench):
    bench.do_job(angles=())
    assert all("Winding" not in row for row in readings(bench, "Resistance"))


@pytest.mark.parametrize(
    ("language", "leads", "told"),
    [
        ("en", "Leads on", "U1+U2-frame guard V1 earth W1"),
        ("de", "Leitungen an", "U1+U2-Gehäuse, Guard an V1, Erde an W1"),
    ],
)
def test_where_the_leads_sat_is_told_in_the_records_language(bench, language, leads, told):
    """German records said "Gehäuse earth"."""
    bench.do_job(angles=())
    record = bench.keeper.shown(bench.job, "technician")
    point = {"point": "U1+U2-frame guard V1 earth W1"}
    moved = [each.model_copy(update=point) for each in record.readings]
    tables = Tables(record.model_copy(update={"readings": moved}), catalogue(language))
    table = next(iter(tables.readings()))
    assert {dict(zip(table.head, row, strict=True))[leads] for row in table.rows} == {told}


@pytest.mark.parametrize(
    ("language", "told"),
    [
        ("en", "insulation resistance cannot be brought to 40 °C: the winding temperature is"),
        ("de", "Isolationswiderstand: nicht auf 40 °C zu bringen: die Wicklungstemperatur"),
    ],
)
def test_a_missing_temperature_is_told_in_words_and_not_by_the_name_of_a_setting(
    bench, language, told
):
    """English records said "Insulation_resistance: …: give conditions.winding_celsius"."""
    bench.do_job(angles=(), celsius=None)
    record = bench.keeper.shown(bench.job, "technician")
    lines = [catalogue(language).remark(each) for each in record.remarks]
    assert any(line.startswith(told) for line in lines), record.remarks
    assert not any("_" in line for line in lines)


def test_a_temperature_that_changed_meanwhile_stands_beside_each_reading(bench):
    """At the head stands the last one: a mistaken 225 °C of the first readings would be lost."""
    colder = ConditionsChanged(conditions=JobConditions(winding_celsius=22.5))
    meanwhile(bench, "value was not steady", colder)
    bench.do_job(angles=(), celsius=225.0)
    told = {row["Leads on"]: row["Winding"] for row in readings(bench, "Resistance")}
    assert told == {"U-V": "22.5 °C", "V-W": "225 °C", "W-U": "225 °C"}


@pytest.mark.parametrize(
    ("maker", "english", "german"),
    [
        ("nobody named", "made by nobody named on", "erstellt von nicht genannter Person am"),
        # What somebody is called stays as it is, even where the catalogue has German for it.
        ("wrong terminal", "made by wrong terminal on", "erstellt von wrong terminal am"),
    ],
)
def test_a_record_that_nobody_put_a_name_to_says_so_in_its_own_language(
    bench, maker, english, german
):
    bench.do_job(angles=())
    draft = bench.keeper.shown(bench.job, maker)
    for language, said in (("en", english), ("de", german)):
        page = drawn(draft, Wish("html", language), bench.evidence.get).decode()
        assert f" {said} " in page
    assert draft.made_by == maker, "what is stored is in one language"


@pytest.mark.parametrize(
    ("reason", "german"),
    [("wrong terminal", "falsche Klemme"), ("lead_2 was off", "lead_2 was off")],
)
def test_a_reason_that_the_pages_offer_is_translated_and_a_persons_own_is_not(
    bench, reason, german
):
    meanwhile(bench, reason)
    bench.do_job(angles=())
    gone = readings(bench, "Ablesungen, die nicht", "de")
    assert german in {row["Grund"] for row in gone}
