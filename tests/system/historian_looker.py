"""A worker's part in looking for what is missing, done by a test, step by step."""

import json

import harness

from capture.historian.gaps import look_for_gaps
from capture.historian.lists import take_words
from capture.historian.settings import Bounds, Gaps
from capture.historian.words import word_of

JOURNAL = "01990000-0000-7000-8000-000000000001"
AT_ONCE = Gaps(every_s=1, wait_s=0, tries=2, requests=2)


class Looker:
    """A worker's part in it: what it hears, what it asks, what it tells."""

    def __init__(self, database, bounds=None):
        self.database = database
        self.bounds = bounds or Bounds()
        self.asked, self.told = [], []

    def hear(self, *words):
        return take_words(self.database, list(words), self.tell, self.bounds)

    def tell(self, event, **more):
        self.told.append((event, more))

    def look(self, settings=AT_ONCE, **more):
        """Look; give what is asked now."""
        del self.asked[:]
        look_for_gaps(
            self.database, settings, lambda *said: self.asked.append(said),
            bounds=self.bounds, tell=self.tell, **more,
        )  # fmt: skip
        return [request for _, _, request in self.asked]

    def answer(self, request, **members):
        said = {
            "schema_version": 1, "request": request["id"], "journal": JOURNAL, "begins_after": 0,
            "after": request["list_after"], "after_hash": "00" * 32, "reached": 40,
            "reached_hash": "7f" * 32, "entries": [], "sequences": {},
        }  # fmt: skip
        return self.hear(word_of(f"{harness.ROOT}/resent", json.dumps(said | members).encode()))

    def state(self, state="online", n=40, journal=JOURNAL, root=harness.ROOT):
        said = {"schema_version": 1, "state": state, "journal": journal}
        if n is not None:
            said["head"] = {"n": n}
        return self.hear(word_of(f"{root}/state", json.dumps(said).encode()))
