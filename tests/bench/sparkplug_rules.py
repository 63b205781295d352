"""Lists the rules of Eclipse Sparkplug 3.0 that an edge node has to keep, with pass, fail or a reason.

    python -P tests/bench/sparkplug_rules.py

Runs the tests that are named after the rules. A rule of the list that has neither a test nor a
reason is told as missing, and a test whose name looks like a rule's but stands in no list as
unknown; both fail.
"""

import re
import subprocess
import sys
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
FILES = [
    TESTS / "system/test_sparkplug.py",
    TESTS / "system/test_sparkplug_host.py",
    TESTS / "unit/publish/test_sparkplug_connect.py",
]

#: Ids of assertions, chapters 2, 4, 5 and 6 of the specification, without "tck-id-".
RULES = """
principles-persistence-clean-session-50 principles-persistence-clean-session-311
principles-birth-certificates-order principles-rbe-recommended

topics-nbirth-mqtt topics-nbirth-seq-num topics-nbirth-metric-reqs topics-nbirth-bdseq-matching
topics-nbirth-bdseq-increment topics-nbirth-rebirth-metric topics-dbirth-mqtt topics-ndata-mqtt
topics-ddata-mqtt topics-ddeath-mqtt topics-ndeath-payload topics-ndeath-seq

message-flow-edge-node-ncmd-subscribe
message-flow-edge-node-birth-publish-will-message
message-flow-edge-node-birth-publish-will-message-topic
message-flow-edge-node-birth-publish-will-message-payload
message-flow-edge-node-birth-publish-will-message-payload-bdSeq
message-flow-edge-node-birth-publish-will-message-qos
message-flow-edge-node-birth-publish-will-message-will-retained
message-flow-edge-node-birth-publish-phid-wait
message-flow-edge-node-birth-publish-phid-wait-id
message-flow-edge-node-birth-publish-phid-wait-online
message-flow-edge-node-birth-publish-phid-wait-timestamp
message-flow-edge-node-birth-publish-phid-offline
message-flow-device-dcmd-subscribe

operational-behavior-edge-node-intentional-disconnect-ndeath
operational-behavior-edge-node-intentional-disconnect-packet
operational-behavior-edge-node-termination-host-offline
operational-behavior-edge-node-termination-host-offline-reconnect
operational-behavior-edge-node-termination-host-offline-timestamp
operational-behavior-device-ddeath
operational-behavior-data-publish-dbirth operational-behavior-data-publish-dbirth-values
operational-behavior-data-publish-dbirth-order
operational-behavior-data-commands-rebirth-name
operational-behavior-data-commands-rebirth-name-aliases
operational-behavior-data-commands-rebirth-datatype
operational-behavior-data-commands-rebirth-value
operational-behavior-data-commands-rebirth-action-1
operational-behavior-data-commands-rebirth-action-2
operational-behavior-data-commands-rebirth-action-3

payloads-timestamp-in-UTC payloads-sequence-num-always-included payloads-sequence-num-zero-nbirth
payloads-sequence-num-incrementing payloads-alias-uniqueness payloads-alias-birth-requirement
payloads-alias-data-cmd-requirement payloads-name-birth-data-requirement
payloads-metric-datatype-req payloads-metric-datatype-not-req
payloads-propertyset-keys-array-size payloads-metric-propertyvalue-type-req
payloads-propertyset-quality-value-type payloads-propertyset-quality-value-value
payloads-dbirth-order payloads-ddata-order payloads-ncmd-seq payloads-ndeath-will-message
payloads-ndeath-will-message-qos payloads-ndeath-will-message-retain payloads-ndeath-bdseq
payloads-ndeath-will-message-publisher payloads-ndeath-will-message-publisher-disconnect-mqtt311
payloads-ndeath-will-message-publisher-disconnect-mqtt50
""".split()  # noqa: SIM905 - seventy names read better without as many quotes

REASONS = {
    "principles-rbe-recommended": "a recommendation; every reading is evidence, so all are sent",
    "topics-ndata-mqtt": "the node itself has nothing that changes, so it sends no NDATA",
    "payloads-ncmd-seq": "binds who sends commands; this node sends none",
    "operational-behavior-edge-node-termination-host-offline-reconnect": "one server a publisher; "
    "the node connects to it again at once and waits there",
}

CHAPTERS = ("principles", "topics", "message-flow", "operational-behavior", "payloads")


def outcomes():
    """Run the tests; give the outcomes of each by the id in its name, and pytest's last line."""
    command = [Path(sys.executable).with_name("pytest"), "-q", "-rA", "-p", "no:randomly", *FILES]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=TESTS.parent)
    found = {}
    for outcome, name in re.findall(
        r"^(PASSED|FAILED|ERROR) \S+::test_(\w+)", done.stdout, re.MULTILINE
    ):
        found.setdefault(name.replace("_", "-"), set()).add(outcome)
    return found, done.returncode, done.stdout.strip().splitlines()[-1]


def main():
    found, code, last = outcomes()
    counts = dict.fromkeys(("pass", "FAIL", "MISSING", "UNKNOWN", "-"), 0)

    def tell(word, rule, reason=""):
        counts[word] += 1
        print(f"{word:8}{rule}{reason and ': ' + reason}")

    for rule in RULES:
        if ran := found.pop(rule.lower(), None):
            tell("pass" if ran == {"PASSED"} else "FAIL", rule)
        elif rule in REASONS:
            tell("-", rule, REASONS[rule])
        else:
            tell("MISSING", rule)
    for name in filter(lambda name: name.startswith(CHAPTERS), found):
        tell("UNKNOWN", name)
    print(", ".join(f"{number} {word}" for word, number in counts.items()) + f"; {last}")
    sys.exit(code or bool(counts["FAIL"] + counts["MISSING"] + counts["UNKNOWN"]))


if __name__ == "__main__":
    main()
