"""The access rules in examples/mosquitto, loaded into a real mosquitto with real passwords."""

import shutil
import subprocess

import harness
import paho.mqtt.client as mqtt
import pytest

RULES = harness.REPOSITORY / "examples/mosquitto/benches.acl"
ONE, OTHER = "benchtally/v1/sawmill/bench-1", "benchtally/v1/sawmill/bench-2"
NOT_AUTHORISED = 0x87


class Client:
    """Somebody with a name and a password."""

    def __init__(self, port, name, password="word"):
        self.came, self.answers = [], {}
        self.refused = None
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.username_pw_set(name, password)
        self._client.on_connect = self._connected
        self._client.on_message = lambda _c, _d, message: self.came.append(message.topic)
        self._client.on_publish = lambda _c, _d, mid, reason, _p: self.answers.update(
            {mid: reason.value}
        )
        self._client.on_subscribe = lambda _c, _d, mid, reasons, _p: self.answers.update(
            {mid: reasons[0].value}
        )
        self.accepted = False
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        harness.wait_until(lambda: self.accepted or self.refused, "an answer to CONNECT")

    def _connected(self, _client, _data, _flags, reason, _properties):
        self.accepted = not reason.is_failure
        self.refused = reason.value if reason.is_failure else None

    def publish(self, topic):
        """Give the reason code of the broker's answer."""
        mid = self._client.publish(topic, b"{}", qos=1).mid
        return harness.wait_until(lambda: mid in self.answers, "PUBACK") and self.answers[mid]

    def subscribe(self, topic):
        mid = self._client.subscribe(topic, qos=1)[1]
        harness.wait_until(lambda: mid in self.answers, "SUBACK")

    def end(self):
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def guarded(rig):
    """A broker with the rules, two benches and a historian."""
    rules, words = rig.folder / "benches.acl", rig.folder / "words"
    shutil.copy(RULES, rules)
    words.touch(0o600)
    for name in ("sawmill/bench-1", "sawmill/bench-2", "historian"):
        subprocess.run(
            ["mosquitto_passwd", "-b", words, name, "word"], check=True, capture_output=True
        )
    broker = rig.mosquitto(more=f"password_file {words}\nacl_file {rules}\n")
    config = broker.folder / "mosquitto.conf"
    config.write_text(config.read_text().replace("allow_anonymous true", "allow_anonymous false"))
    broker.stop()
    broker.start()

    def client(name, password="word"):
        return rig.own(Client(broker.port, name, password))

    return client


def test_a_bench_writes_as_itself_and_as_nobody_else(guarded):
    bench = guarded("sawmill/bench-1")
    assert bench.publish(f"{ONE}/reading/ohm/resistance") < 0x80
    for forged in (
        f"{OTHER}/reading/ohm/resistance",
        f"{OTHER}/state",
        "benchtally/v1/other/bench-1/reading/ohm/resistance",
        "spBv1.0/STATE/plant-host",
    ):
        assert bench.publish(forged) == NOT_AUTHORISED, forged


def test_a_bench_reads_requests_to_itself_only(guarded):
    bench, historian = guarded("sawmill/bench-1"), guarded("historian")
    bench.subscribe(f"{ONE}/resend")
    bench.subscribe(f"{OTHER}/#")
    bench.subscribe("benchtally/v1/#")
    other = guarded("sawmill/bench-2")
    assert other.publish(f"{OTHER}/reading/ohm/resistance") < 0x80
    assert historian.publish(f"{OTHER}/resend") < 0x80
    assert historian.publish(f"{ONE}/resend") < 0x80
    harness.wait_until(lambda: bench.came, "its own request")
    assert set(bench.came) == {f"{ONE}/resend"}


def test_the_historian_hears_all_and_forges_nothing(guarded):
    historian, bench = guarded("historian"), guarded("sawmill/bench-1")
    historian.subscribe("benchtally/v1/#")
    assert bench.publish(f"{ONE}/reading/ohm/resistance") < 0x80
    harness.wait_until(lambda: historian.came, "a reading")
    assert historian.publish(f"{ONE}/reading/ohm/resistance") == NOT_AUTHORISED


@pytest.mark.parametrize("wrong", ["+/+", "sawmill/#", "sawmill/bench-1/../bench-2"])
def test_a_name_that_would_match_more_is_not_let_in_or_writes_nothing(guarded, wrong):
    """Nobody has such a name; were one made, its signs would not widen the pattern."""
    stranger = guarded(wrong)
    assert (
        stranger.refused == NOT_AUTHORISED or stranger.publish(f"{OTHER}/state") == NOT_AUTHORISED
    )


def test_without_the_password_nobody_is_let_in(guarded):
    assert guarded("sawmill/bench-1", "guess").refused == NOT_AUTHORISED
