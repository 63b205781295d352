"""A person with a tablet: works through jobs by the HTTP API, and nothing else."""

import json
import threading
import time

import harness
import httpx

from capture.model import new_id


def log_in(port, operator, **more):
    """Give a client for somebody, logged in by name: these benches have no operators."""
    client = httpx.Client(base_url=f"http://127.0.0.1:{port}", **more)
    answer = client.post("/api/session", json={"operator": operator})
    assert answer.status_code == 201, answer.text
    client.headers["Benchtally-CSRF"] = answer.json()["csrf"]
    return client


class Tablet:
    """One person's client of one bench."""

    def __init__(self, port, operator="technician"):
        self.client = log_in(port, operator, timeout=harness.LONG)
        self.job = None

    def end(self):
        self.client.close()

    # ── asking and telling ───────────────────────────────────────────────────────────────────

    def get(self, path, **query):
        answer = self.client.get(path, params=query)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def post(self, path, status=201, **body):
        """Write something once; an id is made here, where the person acts."""
        body = {"id": str(new_id()), **body}
        answer = self.client.post(path, json=body)
        assert answer.status_code == status, (path, answer.status_code, answer.text)
        return answer.json()

    # ── jobs ─────────────────────────────────────────────────────────────────────────────────

    def register(self, machine, **nameplate):
        return self.post("/api/machines", machine=machine, nameplate=nameplate)

    def start(self, machine, procedure, *, beside=None, **conditions):
        """Start a job; ``beside`` names the open one of the same procedure that is known of."""
        self.job = str(new_id())
        return self.post(
            "/api/jobs",
            job=self.job,
            machine=machine,
            procedure=procedure,
            conditions=conditions,
            beside=beside,
        )

    def look(self):
        return self.get(f"/api/jobs/{self.job}")

    def step(self, id_):
        return next(each for each in self.look()["steps"] if each["id"] == id_)

    def act(self, action, status=201, *, seen=None, id_=None, **members):
        more = {} if id_ is None else {"id": id_}
        return self.post(
            f"/api/jobs/{self.job}/acts",
            status,
            seen=self.look()["last"] if seen is None else seen,
            event={"action": action, **members},
            **more,
        )

    def take(self, step, status=201, *, seen=None, **body):
        seen = self.look()["last"] if seen is None else seen
        return self.post(f"/api/jobs/{self.job}/steps/{step}/take", status, seen=seen, **body)

    def key(self, step, values, status=201, *, seen=None, **body):
        seen = self.look()["last"] if seen is None else seen
        made = [{"id": str(new_id()), "typed": typed} for typed in values]
        return self.post(
            f"/api/jobs/{self.job}/steps/{step}/key",
            status,
            **{"seen": seen, "values": made, **body},
        )

    def photograph(self, data):
        answer = self.client.post("/api/evidence", content=data)
        assert answer.status_code == 201, answer.text
        return answer.json()["sha256"]

    def wait_taken(self, step, seconds=harness.LONG):
        """Wait until a step was taken; give it."""

        def taken():
            found = self.step(step)
            return found if found["status"] == "taken" else None

        return self._wait(taken, f"{step} taken", seconds)

    def wait_watch(self, words, seconds=harness.LONG):
        """Wait until hands-free capture says something with these words in it."""

        def said():
            watch = self.get("/api/bench")["watch"]
            return watch if words in watch["reason"] else None

        return self._wait(said, f"{words!r} on the bench", seconds)

    def _wait(self, condition, what, seconds):
        """Wait; where it is in vain, tell how the bench is."""
        try:
            return harness.wait_until(condition, what, seconds)
        except AssertionError as error:
            bench = self.get("/api/bench")
            states = [
                (each["instrument"], each["state"], each.get("reason"), len(each["last"]))
                for each in bench["instruments"]
            ]
            raise AssertionError(f"{error}; watch: {bench['watch']}; {states}") from error


class Stream:
    """The server-sent events of a bench, with the moment at which each came."""

    def __init__(self, port, after=None):
        self.events = []
        self._changed = threading.Condition()
        self._client = log_in(port, "onlooker", timeout=None)
        self._thread = threading.Thread(target=self._run, args=(after,), daemon=True)
        self._thread.start()
        self.wait(lambda: self.of("watch"))

    def _run(self, after):
        query = {} if after is None else {"after": after}
        try:
            with self._client.stream("GET", "/api/events", params=query) as answer:
                event = {}
                for line in answer.iter_lines():
                    if line:
                        name, _, value = line.partition(":")
                        event[name] = value.strip()
                    elif event:
                        with self._changed:
                            self.events.append((time.time(), event))
                            self._changed.notify_all()
                        event = {}
        except httpx.HTTPError:
            pass  # the server has gone

    def of(self, kind):
        return [
            (at, json.loads(each["data"])) for at, each in self.events if each.get("event") == kind
        ]

    def wait(self, condition, seconds=harness.LONG):
        with self._changed:
            assert self._changed.wait_for(condition, seconds), self.events[-5:]

    def ended(self, seconds=harness.LONG):
        self._thread.join(seconds)
        self._client.close()
        return not self._thread.is_alive()
