"""Faults from the meter to the database, a few kinds of them: nothing lost, nothing twice.

The short form of tests/bench/historian_faults.py.
"""

import pytest
from historian_campaign import Campaign

pytestmark = pytest.mark.takes(10)

KINDS = ("worker_killed", "database_killed", "broker_restarted", "backlog")


def test_ids_in_the_journal_are_ids_in_the_database(rig):
    campaign = Campaign(rig, 20260105, rate=150, pace=0.25)
    for name, fault in campaign.FAULTS:
        if fault.__name__ in KINDS:
            campaign._inject(name, fault)
    report = "\n".join(campaign.finish())
    assert campaign.good, report
    assert len(campaign.tallies) == len(KINDS)
