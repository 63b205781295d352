"""Faults at random for a long time: `make faults`.

    python -P tests/bench/campaign.py [--minutes 20 | --each] [--seed N] [--rate 300]

The short form (`--each`), in the tests, injects each kind once; see tests/system/campaign_faults.py
for what is injected and tests/system/campaign_oracle.py for what is asked of the journal and the
subscriber. Prints each fault with the time to recover, then the table; last, by itself, a broker
that is killed and loses what it had acknowledged, and what a consumer does about it. Ends with 1
where anything was lost, stored twice, reordered or changed, or a program printed a traceback.
"""

import argparse
import contextlib
import os
import secrets
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "system"))

from campaign import Campaign
from killed_broker import lose_and_heal
from rig import Rig
from small_disk import is_alone, run_alone


def main():
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--minutes", type=float, default=20)
    parser.add_argument("--each", action="store_true", help="each kind once, and short")
    parser.add_argument("--seed", type=int, default=secrets.randbelow(1_000_000))
    parser.add_argument("--rate", type=float, default=300, help="readings a second, in all")
    parser.add_argument("--dir", type=Path, help="keep what the programs said here")
    given = parser.parse_args()
    if not is_alone() and not os.environ.get("CAMPAIGN_HERE"):
        os.environ["CAMPAIGN_HERE"] = "1"  # tried once: where the host cannot, it is done without
        run_alone([__file__, *sys.argv[1:]])
    with contextlib.ExitStack() as stack:
        folder = given.dir or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        sys.exit(0 if run(folder, given) else 1)


def run(folder, given):
    with bench(folder / "campaign") as rig:
        campaign = Campaign(
            rig, given.seed, rate=given.rate, pace=0.25 if given.each else 1.0, say=say
        )
        if given.each:
            campaign.run_each()
        else:
            campaign.run_for(60 * given.minutes)
        report = campaign.finish()
        crashed = rig.tracebacks()
    say("\n".join(report.table()))
    for path in crashed:
        say(f"TRACEBACK in {path.name}:\n{path.read_text('utf-8', 'replace')[-3000:]}")
    good = report.good() and not crashed
    if not given.each:
        good = tell_of_killed_broker(folder) and good
    return good


def tell_of_killed_broker(folder):
    with bench(folder / "killed-broker") as rig:
        holes, found = lose_and_heal(rig)
    named = ", ".join(f"{name} {first} to {last}" for name, first, last in holes)
    say(
        f"\nbroker killed (kill -9), a case of its own: the consumer found {named or 'NO GAP'} "
        f"missing, asked for it, and had {found.arrived} of {found.delivered} in the end"
    )
    return bool(holes) and found.faults().keys() <= {"reordered"}


@contextlib.contextmanager
def bench(folder):
    folder.mkdir(parents=True, exist_ok=True)
    rig = Rig(folder)
    try:
        yield rig
    finally:
        rig.close()


def say(text):
    print(text, flush=True)


if __name__ == "__main__":
    main()
