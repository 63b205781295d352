"""What ties readings to the machine of a job: tags, each of which may take another one's place."""

import json
from collections.abc import Mapping
from typing import Any
from uuid import UUID

from capture.clock import Clock
from capture.display import VOID_NOTE, clean
from capture.jobs.procedure import Step
from capture.jobs.state import JobState
from capture.jobs.writing import Who
from capture.journal import JournalReader
from capture.model import PointOfTest, Tag, new_id

_LONGEST = 200  # letters of a note, which is one line, by the model


class Tagger:
    """Makes tags of one bench; stores none."""

    def __init__(self, reader: JournalReader, clock: Clock, site: str, bench: str) -> None:
        self._reader = reader
        self._clock = clock
        self._site = site
        self._bench = bench

    def taken(
        self,
        state: JobState,
        step: Step,
        body: Mapping[str, Any],
        point: PointOfTest | None,
        who: Who,
    ) -> Tag:
        """Tie a reading to the machine, and to the test point that it is taken for."""
        return self._tag(state, body, point, who, f"job {state.job}, step {step.id}")

    def voided(self, state: JobState, reason: str, who: Who) -> list[Tag]:
        """Say of every reading that a job has taken that it is void.

        It keeps the machine's name and loses its test point, so nothing is compared with it; and
        whoever sees it, here or at the historian, reads why. What a person has tied to another
        machine since is left as it is.
        """
        found: list[Tag] = []
        for step in state.steps.values():
            for id_ in (*step.readings, *(gone for gone, _ in step.superseded)):
                row = self._reader.entry(id_)
                if row is None:
                    continue
                body = self._reader.with_tag(json.loads(row.body))
                if (body.get("tag") or {}).get("machine") in (None, state.machine):
                    where = f"{VOID_NOTE}{state.job}, step {step.step.id}: {reason}"
                    found.append(self._tag(state, body, None, who, _as_note(where)))
        return found

    def _tag(
        self,
        state: JobState,
        body: Mapping[str, Any],
        point: PointOfTest | None,
        who: Who,
        note: str,
    ) -> Tag:
        reading = UUID(str(body["id"]))
        return Tag(
            id=new_id(),
            site=self._site,
            bench=self._bench,
            instrument=body["instrument"],
            reading=reading,
            time=self._clock.utc(),
            operator=who.operator,
            machine=state.machine,
            test_point=point,
            note=note,
            supersedes=self._reader.current_tag_id(reading),
        )


def _as_note(words: str) -> str:
    """Give words as the note of a tag holds them; whoever voids a job may say why at length."""
    line = clean(" ".join(words.split()))
    return line if len(line) <= _LONGEST else f"{line[: _LONGEST - 1]}…"
