"""docs/reference/mqtt.md: topics, payloads, QoS and user properties, as the publisher makes them."""

import json
from datetime import UTC, datetime

from cells import MADE, code, table

from capture.app import instrument_state
from capture.config import BrokerConfig
from capture.journal import Row
from capture.publish.cloudevents import CONTENT_TYPE, static_attributes
from capture.publish.topics import ROOT, Topics, bench_state
from capture.runtime.worker import Snapshot, State

_MOMENT = datetime(2026, 3, 14, 9, 26, 53, tzinfo=UTC)
_ID = "01890000-0000-7000-8000-000000000001"
#: Kind of entry: what stands in the place of its instrument and of its subject.
_ENTRIES = {
    "reading": ("{instrument}", "{quantity}", "one reading"),
    "tag": ("{instrument}", "", "ties a reading to a machine and a test point"),
    "gap": ("{instrument}", "", "readings may be missing"),
    "result": ("", "{job}", "a computed value of a job"),
    "record": ("", "{job}", "a version of a job's whole record"),
}


def page():
    """Give the page."""
    topics = Topics("{site}", "{bench}")
    rows = [
        (
            code(topics.entry(kind, instrument, subject)),
            words,
            f"[{kind}](schemas.md#{kind})",
            "1",
            "no",
        )
        for kind, (instrument, subject, words) in _ENTRIES.items()
    ]
    rows += [
        (code(topics.state), "the bench: online or offline; also the will", "below", "1", "yes"),
        (
            code(topics.instrument_state("{instrument}")),
            "one instrument",
            "below",
            "1",
            "yes",
        ),
        (
            code(topics.resend),
            "requests to the bench, from a consumer",
            "see delivery",
            "1",
            "must not be",
        ),
        (code(topics.resent), "what was done about a request", "see delivery", "1", "no"),
    ]
    state = json.loads(bench_state("online", _MOMENT, _ID, (1204, bytes.fromhex("7f" * 32))))
    instrument = instrument_state(
        Snapshot(
            "ohm-meter", State.RUNNING, "", _MOMENT, "/dev/ttyUSB0", "A MAKER, OHM-77, 0815, 2.3"
        )
    )
    return f"""\
# MQTT

{MADE}

What a bench publishes. [Delivery](../delivery.md) says what is guaranteed, what a broker is to be told, and how
readings are asked for again. `{ROOT}` is version 1 of the layout; any other layout has another root.

## Topics

{table(("topic", "what", "payload", "QoS", "retained"), rows)}

Nothing else is published: machines, and the single acts of a job, stay on the bench. A message may come more than once,
with the same `id`; within one instrument the order is that of `sequence`.

## Payloads

UTF-8 JSON without a byte order mark. An entry's payload is, byte for byte, what the journal holds and hashes. The state
of a bench:

```json
{json.dumps(state, indent=2)}
```

`head` is number and hash of the journal's newest entry; the will has none, since it is written beforehand. Beside
them stand, only where it is so: `paused` (why nothing is sent), `dead_letters` (how many messages wait for a person),
`nobody_listens` and `unheard` (how many readings the broker had nobody to give to).

The state of an instrument:

```json
{json.dumps(instrument, indent=2)}
```

`state` is one of {", ".join(code(str(each)) for each in State)}; `since` is when it became so, `reason` why (empty where all
is well; words for people, which may change), `identity` what the instrument says it is (empty where it says nothing). That an
instrument runs says nothing about its readings: look at their time. What people key has no instrument, and no such state.

## What a consumer makes of it

- **Readings.** One that was not there before has an `id` that was not there before. `sequence` has no hole within one
  `instrument`; where one shows, ask again ([delivery](../delivery.md#readings-again-on-request)). The latest is that with the
  highest `sequence`: clocks can be wrong.
- **Machine and test point of a reading.** Its own `tag`, where it came with one; the newest message below `tag/` whose `reading`
  is its `id`, where there is one, takes the place of that.
- **Results.** Of one `job` and one `name` the newest holds, as it comes. None is withdrawn: where a step was opened again and
  its value is missing for now, the one before still stands here.
- **Jobs.** How far a job has come is not published. Its record is, once somebody signed it off: nameplate, conditions, steps,
  results, verdict, and every reading with `standing`, which says whether it holds or was superseded or refused. Of one `record` the
  highest `version` holds.
- **The chain of hashes** runs over all entries, those that stay on the bench too, and messages do not carry their numbers. So
  keep each `head`, and hold the journal or [an export of it](../journal.md#the-chain-and-how-it-is-verified) against it.

## User properties

With MQTT 5, and `cloudevents = true`, each entry carries the attributes of CloudEvents 1.0 (binary mode of its MQTT
binding). The content type is `{CONTENT_TYPE}`, the payload format indicator 1. States carry none. With MQTT 3.1.1 the
payload is the same, and nothing stands beside it.

{table(("kind", *_attributes("reading")), [(kind, *map(code, _attributes(kind).values())) for kind in _ENTRIES])}

## Connection

{table(("setting", "without it"), [(code(name), code(_usual(name))) for name in _SETTINGS])}

The client id is `benchtally-SITE-BENCH`, with the broker's name behind it for one of several, so that the broker ends a
connection it still believes in. Every key: [configuration](configuration.md).
"""


_SETTINGS = (
    "host",
    "port",
    "version",
    "keepalive_s",
    "window",
    "max_rate",
    "cloudevents",
    "retry_s",
)


def _usual(name):
    return json.dumps(BrokerConfig.model_fields[name].default)


def _attributes(kind):
    """Give the attributes of an entry of this kind, with the two that differ for each."""
    instrument, subject, _ = _ENTRIES[kind]
    row = Row(
        **{
            **dict.fromkeys(Row.__annotations__),
            "kind": kind,
            "instrument": instrument,
            "subject": subject,
        }
    )
    made = static_attributes(row, "{site}", "{bench}")
    made.setdefault("subject", "")
    return {**made, "id": "the entry's id", "time": "its time"}
