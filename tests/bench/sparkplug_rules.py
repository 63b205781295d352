"""Lists the rules of Eclipse Sparkplug 3.0 that an edge node has to keep, with pass, fail or a reason.

    python -P tests/bench/sparkplug_rules.py

Runs the tests that are named after the rules. What follows in a name behind the rule's id (the MQTT
version) is a case of it.
"""

import re
import subprocess
import sys
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
FILES = (TESTS / "system/test_sparkplug.py", TESTS / "unit/publish/test_sparkplug_connect.py")
#: Ids of assertions begin with one of these.
CHAPTERS = ("topics", "payloads", "principles", "message-flow", "operational-behavior")
NOT_TESTED = {
    "principles-rbe-recommended": "a recommendation; every reading is sent, since each is evidence",
    "payloads-ncmd-seq": "this node sends no commands",
    "operational-behavior-edge-node-termination-host-offline (next server)": "one server a publisher",
    "conformance of STATE before 3.0 (text, another topic)": "not supported",
}


def main():
    command = [Path(sys.executable).with_name("pytest"), "-q", "-rA", "-p", "no:randomly", *FILES]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=TESTS.parent)
    found = {}
    for outcome, name in re.findall(
        r"^(PASSED|FAILED|ERROR) \S+::test_(\w+)", done.stdout, re.MULTILINE
    ):
        rule = name.replace("_", "-")
        if rule.startswith(CHAPTERS):
            found.setdefault(rule, set()).add(outcome)
    for rule, outcomes in sorted(found.items()):
        print(f"{'pass' if outcomes == {'PASSED'} else 'FAIL'}  {rule}")
    for rule, reason in NOT_TESTED.items():
        print(f"  -   {rule}: {reason}")
    print(f"{len(found)} rules tested; {done.stdout.strip().splitlines()[-1]}")
    sys.exit(done.returncode)


if __name__ == "__main__":
    main()
