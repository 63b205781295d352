"""What a campaign is judged by: the journal, read with plain sqlite3, against what a consumer got."""

import contextlib
import hashlib
import json
import sqlite3
from collections import Counter
from dataclasses import dataclass, field

_STAYS = ("machine", "job", "anchor", "audit")  # kinds of entries that are not delivered


@dataclass
class Findings:
    """What was found; all but the first group must be 0, False or empty."""

    entries: int = 0
    readings: int = 0
    delivered: int = 0
    arrived: int = 0
    came_again: int = 0

    lost: int = 0
    foreign: int = 0
    reordered: int = 0
    gaps: int = 0
    stored_twice: int = 0
    lines_missing: int = 0
    other_bytes: int = 0
    broken_chain: bool = False
    broken_promises: list = field(default_factory=list)

    def faults(self):
        """Give the names of what is not as it must be."""
        names = (
            "lost",
            "foreign",
            "reordered",
            "gaps",
            "stored_twice",
            "lines_missing",
            "other_bytes",
            "broken_chain",
            "broken_promises",
        )
        return {name: found for name in names if (found := getattr(self, name))}


def sqlite(path):
    """Open the journal to read it."""
    return contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True))


def newest_sequences(path, instruments):
    """Give the newest committed sequence number of each instrument; 0 where it has none."""
    with sqlite(path) as connection:
        return {
            each: connection.execute(
                "SELECT max(sequence) FROM entries WHERE instrument = ? AND sequence IS NOT NULL",
                (each,),
            ).fetchone()[0]
            or 0
            for each in instruments
        }


def newest_digits(path, instrument):
    """Give the digits of the newest reading of an instrument."""
    with sqlite(path) as connection:
        found = connection.execute(
            "SELECT body FROM entries WHERE instrument = ? AND sequence IS NOT NULL "
            "ORDER BY sequence DESC LIMIT 1",
            (instrument,),
        ).fetchone()
    return json.loads(found[0])["digits"] if found else None


def ids_to_deliver(path):
    """Give the ids of all entries that are delivered, in order."""
    with sqlite(path) as connection:
        marks = ",".join("?" * len(_STAYS))
        rows = connection.execute(
            f"SELECT lower(hex(id)) FROM entries WHERE kind NOT IN ({marks}) ORDER BY n", _STAYS
        )
        return [_uuid(row[0]) for row in rows]


def judge(path, recorder, streams, promised=()):
    """Compare; `streams` are instruments whose lines are numbered, `promised` ids that commands
    said they had stored.
    """
    found = Findings()
    head, ids = bytes(32), set()
    sequence, last_place, last_number = Counter(), {}, {}
    with sqlite(path) as connection:
        for id_, kind, instrument, number, body, hash_ in connection.execute(
            "SELECT lower(hex(id)), kind, instrument, sequence, body, hash FROM entries ORDER BY n"
        ):
            id_ = _uuid(id_)  # noqa: PLW2901 - the same id, written as it is sent
            found.entries += 1
            head = hashlib.sha256(head + body).digest()
            found.broken_chain = found.broken_chain or head != hash_
            found.stored_twice += id_ in ids
            ids.add(id_)
            if number is not None:
                found.readings += 1
                found.gaps += number != sequence[instrument] + 1
                sequence[instrument] = number
            if kind == "reading" and instrument in streams:
                _follow_lines(found, instrument, json.loads(body), last_number)
            if kind not in _STAYS:
                _follow_delivery(found, recorder, id_, instrument, body, last_place)
    found.foreign = len(set(recorder.arrivals) - ids)
    found.broken_promises = [each for each in promised if each not in ids]
    return found


def _follow_lines(found, instrument, reading, last_number):
    """Within a session each line is there once: the simulator waits for us, so a hole is ours."""
    line, session = int(reading["digits"]), reading["session"]
    before, before_session = last_number.get(instrument, (0, session))
    if line <= before:
        found.stored_twice += 1
    elif session == before_session and before:
        found.lines_missing += line - before - 1
    last_number[instrument] = line, session


def _follow_delivery(found, recorder, id_, instrument, body, last_place):
    found.delivered += 1
    arrival = recorder.arrivals.get(id_)
    if arrival is None:
        found.lost += 1
        return
    found.arrived += 1
    found.came_again += arrival.count - 1
    found.other_bytes += not arrival.same or arrival.digest != hashlib.sha256(body).digest()
    found.reordered += arrival.place < last_place.get(instrument, -1)
    last_place[instrument] = max(arrival.place, last_place.get(instrument, -1))


def _uuid(text):
    return "-".join((text[:8], text[8:12], text[12:16], text[16:20], text[20:]))
