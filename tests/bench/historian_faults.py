"""Faults from the meter to the database for a long time.

    python -P tests/bench/historian_faults.py [--minutes 10 | --each] [--seed N]

See tests/system/historian_campaign.py. Ends with 1 where anything is not as it must be.
"""

import argparse
import secrets
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "system"))

from historian_campaign import Campaign
from rig import Rig


def main():
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--each", action="store_true", help="each kind once, and short")
    parser.add_argument("--seed", type=int, default=secrets.randbelow(1_000_000))
    given = parser.parse_args()

    def say(text):
        print(text, flush=True)

    with tempfile.TemporaryDirectory() as folder:
        rig = Rig(Path(folder))
        try:
            campaign = Campaign(rig, given.seed, pace=0.3 if given.each else 1.0, say=say)
            if given.each:
                campaign.run_each()
            else:
                campaign.run_for(60 * given.minutes)
            say("\n".join(campaign.finish()))
            crashed = rig.tracebacks()
            for path in crashed:
                say(f"TRACEBACK in {path.name}:\n{path.read_text('utf-8', 'replace')[-3000:]}")
        finally:
            rig.close()
    sys.exit(0 if campaign.good and not crashed else 1)


if __name__ == "__main__":
    main()
