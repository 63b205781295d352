"""Entries of every kind, made for the tests of this folder."""

import uuid
from datetime import UTC, datetime, timedelta

from capture.model import Gap, ReadingTag, Tag, new_id
from capture.model.job import Finished, JobEntry, SignedOff, Started, Taken
from capture.model.machine import MachineEntry, Nameplate
from capture.model.result import ResultRecord

DAY_ONE = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)


def day(number):
    """Give a moment on a day; day 1 is the first."""
    return DAY_ONE + timedelta(days=number - 1)


def tag(reading, machine="FAN-07", time=DAY_ONE, **members):
    return Tag(
        id=new_id(),
        site="sawmill",
        bench="bench-1",
        instrument=reading.instrument,
        reading=reading.id,
        time=time,
        operator="winder",
        machine=machine,
        **members,
    )


def gap(instrument="ohm-1", time=DAY_ONE):
    return Gap(
        id=new_id(),
        site="sawmill",
        bench="bench-1",
        instrument=instrument,
        begin=time,
        end=time,
        reason="a test",
    )


def machine(name="FAN-07", time=DAY_ONE, **nameplate):
    return MachineEntry(
        id=new_id(),
        site="sawmill",
        bench="bench-1",
        time=time,
        operator="winder",
        machine=name,
        nameplate=Nameplate(**nameplate),
    )


def event(job, what, time=DAY_ONE):
    return JobEntry(
        id=new_id(),
        site="sawmill",
        bench="bench-1",
        job=job,
        time=time,
        operator="winder",
        event=what,
    )


def started(job, time=DAY_ONE, name="FAN-07"):
    return event(job, Started(machine=name, procedure={"name": "a test"}), time)


def taken(job, readings, time=DAY_ONE):
    return event(
        job, Taken(step="s1", readings=tuple(each.id for each in readings), how="operator"), time
    )


def signed_off(job, time=DAY_ONE):
    return [event(job, Finished(), time), event(job, SignedOff(), time)]


def result(job=None, inputs=(), time=DAY_ONE):
    return ResultRecord(
        id=new_id(),
        job=job,
        time=time,
        name="mean resistance",
        value=0.84,
        unit="Ohm",
        formula="mean",
        inputs=tuple(str(each.id) for each in inputs),
    )


def new_job():
    return uuid.UUID(int=new_id().int)


def every_kind(draft):
    """Give a batch with an entry of every kind that the bench makes."""
    job = new_job()
    plain, named = draft(), draft(instrument="lcr-1", record="MEM 1")
    tagged = draft(tag=ReadingTag(machine="FAN-08"))
    return [
        machine(),
        started(job),
        plain,
        named,
        tagged,
        tag(plain),
        tag(plain, "FAN-09"),
        taken(job, [plain]),
        result(job, [plain]),
        result(None, [tagged]),
        gap(),
        *signed_off(job),
    ]
