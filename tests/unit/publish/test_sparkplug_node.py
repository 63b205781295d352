"""The edge node without a network: what goes into which message, and whom it believes."""

import json

import pytest

from capture.publish.sparkplug.host import PrimaryHost
from capture.publish.sparkplug.node import EdgeNode, in_messages
from capture.publish.sparkplug.sample import BAD, GOOD, STALE, Sample
from capture.publish.sparkplug.schema import Payload

NOW = 1_767_600_000_000


def sample(value, at, *, name="resistance", device="ohm", status="ok", by_hand=False):
    return Sample(device, name, "Ohm", NOW + at, value, status, f"id-{value}", by_hand)


def values(messages):
    return [[each.value for each in message] for message in messages]


def test_values_of_one_device_go_together_in_order():
    given = [sample(1.0, 0), sample(2.0, 1), sample(9.0, 1, device="lcr"), sample(3.0, 2)]
    assert values(in_messages(given)) == [[1.0, 2.0, 3.0], [9.0]]


def test_a_metric_is_not_twice_at_one_time_in_a_message():
    """Several values of a metric are allowed where their times differ (chapter 6, Metric)."""
    given = [sample(1.0, 0), sample(2.0, 0), sample(3.0, 0, name="inductance")]
    assert values(in_messages(given)) == [[1.0], [2.0, 3.0]]


def test_a_clock_that_was_set_back_begins_a_message():
    """operational-behavior-data-publish-dbirth-order: within one payload, in chronological order."""
    given = [sample(1.0, 10), sample(2.0, 20), sample(3.0, 5), sample(4.0, 6)]
    assert values(in_messages(given)) == [[1.0, 2.0], [3.0, 4.0]]


def test_a_long_run_is_cut():
    found = list(in_messages([sample(float(n), n) for n in range(120)]))
    assert [len(message) for message in found] == [50, 50, 20]
    assert [each.value for message in found for each in message] == [float(n) for n in range(120)]


def test_a_birth_lists_its_metrics_in_the_order_of_their_times():
    """operational-behavior-data-publish-dbirth-order holds for births, too."""
    node = EdgeNode("sawmill", "bench-1")
    node.learn([sample(1.0, 0, name="resistance"), sample(2.0, 1, name="inductance")])
    node.learn([sample(3.0, 2, name="resistance")])
    birth = Payload.FromString(node.dbirth("ohm", NOW))
    assert [(each.name, each.double_value) for each in birth.metrics] == [
        ("inductance", 2.0),
        ("resistance", 3.0),
    ]


@pytest.mark.parametrize(
    ("status", "quality"),
    [
        ("ok", GOOD),
        ("unsettled", STALE),
        ("stale", STALE),
        ("above-range", BAD),
        ("below-range", BAD),
        ("invalid", BAD),
        ("live-voltage", BAD),
        ("breakdown", BAD),
        ("aborted", BAD),
    ],
)
def test_every_status_has_its_quality(status, quality):
    assert sample(None, 0, status=status).quality == quality


def test_what_people_key_needs_no_instrument():
    node = EdgeNode("sawmill", "bench-1")
    node.learn([sample(1.0, 0), sample(2.0, 0, device="insulation-tester", by_hand=True)])
    assert node.is_kept_by_hand("insulation-tester")
    assert not node.is_kept_by_hand("ohm")
    assert not node.is_kept_by_hand("never heard of")


def said(online, timestamp):
    return json.dumps({"online": online, "timestamp": timestamp}).encode()


def test_a_hosts_older_word_is_not_believed_on_the_next_connection_either():
    host = PrimaryHost("plant-host")
    host.take(said(True, 1000))
    host.take(said(False, 2000))
    host.forget()
    host.take(said(True, 1500))
    assert not host.online
    host.take(said(True, 2000))
    assert host.online, "the same time again: what is retained comes once more"
    host.forget()
    assert not host.online


@pytest.mark.parametrize(
    "wrong",
    [
        b"ONLINE",
        b"[]",
        b"{}",
        b"\xff",
        b'{"online": 1, "timestamp": 5}',
        said(True, None),
        said(True, True),
    ],
)
def test_what_is_no_state_of_a_host_is_refused(wrong):
    host = PrimaryHost("plant-host")
    with pytest.raises(ValueError, match="no state of a host"):
        host.take(wrong)
    assert not host.online
