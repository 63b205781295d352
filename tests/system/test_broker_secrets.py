"""What a bench identifies itself with at a real broker, and whom it believes: TLS and passwords."""

import shutil
import subprocess
from pathlib import Path

import harness
import pytest
import trustme
from delivering import count_up, hold

pytestmark = pytest.mark.takes(18)

SECRET = "f4n-H0use-7Q-Zeta"


class Certificates:
    """An authority, a broker's certificate and ours, made for one test."""

    def __init__(self, folder):
        self.folder = folder
        folder.mkdir()
        self.authority = trustme.CA()
        self.authority.cert_pem.write_to_path(folder / "ca.pem")
        server = self.authority.issue_cert("127.0.0.1", "localhost")
        server.cert_chain_pems[0].write_to_path(folder / "server.pem")
        server.private_key_pem.write_to_path(folder / "server.key")
        self.issue("bench-old")

    def issue(self, name, authority=None):
        """Replace our certificate by a new one with this name, as a rotation does."""
        ours = (authority or self.authority).issue_cert(f"{name}.example", common_name=name)
        for pem, path in (
            (ours.private_key_pem, "ours.key"),
            (ours.cert_chain_pems[0], "ours.pem"),
        ):
            pem.write_to_path(self.folder / "new")
            (self.folder / "new").replace(self.folder / path)

    def broker(self, port, *, demand=True):
        return (
            f"listener {port} 127.0.0.1\ncafile {self.folder}/ca.pem\n"
            f"certfile {self.folder}/server.pem\nkeyfile {self.folder}/server.key\n"
            f"require_certificate {'true' if demand else 'false'}\n"
            + ("use_identity_as_username true\n" if demand else "")
        )

    def ours(self):
        return (
            f"[broker.tls]\nca = '{self.folder}/ca.pem'\n"
            f"certificate = '{self.folder}/ours.pem'\nkey = '{self.folder}/ours.key'\n"
        )


@pytest.fixture
def certificates(rig):
    return Certificates(rig.folder / "certificates")


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_tls_with_our_certificate_which_is_replaced_while_we_run(rig, certificates, version):
    port = harness.free_port()
    broker = rig.mosquitto(more=certificates.broker(port))
    subscriber = rig.subscriber(broker)
    daemon, counter = count_up(
        rig, port, broker=f"version = '{version}'\n", more=certificates.ours(), wanted=200
    )
    daemon.wait_for("broker.connected")
    harness.wait_until(lambda: "u'bench-old'" in broker.said(), "connected by the old certificate")
    certificates.issue("bench-new")
    daemon.wait_for("credentials.changed")
    harness.wait_until(lambda: "u'bench-new'" in broker.said(), "connected by the new certificate")
    rig.wait_for_length(rig.length() + 100)
    hold(rig, counter)
    assert daemon.stop() == 0, daemon.said()
    assert not daemon.events("broker.away"), "a rotation is no loss"
    verdict = rig.check_delivery(subscriber)
    assert verdict.committed >= 300
    states = [
        message.json()["state"]
        for message in subscriber.messages
        if message.topic == f"{harness.ROOT}/state"
    ]
    assert states[-1] == "offline"
    assert "offline" not in states[:-1], "nor is it told to the plant as one"


def test_files_that_do_not_fit_together_leave_the_connection_alone(rig, certificates):
    """In the middle of a rotation the new certificate is there and its key is not."""
    port = harness.free_port()
    broker = rig.mosquitto(more=certificates.broker(port))
    subscriber = rig.subscriber(broker)
    daemon, counter = count_up(rig, port, more=certificates.ours())
    daemon.wait_for("broker.connected")
    key = (certificates.folder / "ours.key").read_bytes()
    certificates.issue("bench-new")
    new_key = (certificates.folder / "ours.key").read_bytes()
    (certificates.folder / "ours.key").write_bytes(key)
    refused = daemon.wait_for("credentials.not_used")
    assert "ours.pem" in refused["reason"]
    (certificates.folder / "ours.key").write_bytes(new_key)
    daemon.wait_for("credentials.changed")
    harness.wait_until(lambda: "u'bench-new'" in broker.said(), "connected by the new certificate")
    hold(rig, counter)
    assert daemon.stop() == 0, daemon.said()
    rig.check_delivery(subscriber)


def test_a_broker_of_another_authority_or_name_is_not_believed(rig, certificates):
    stranger = Certificates(rig.folder / "stranger")
    port = harness.free_port()
    broker = rig.mosquitto(more=stranger.broker(port, demand=False))
    _counter, lines = rig.counter("line", 100)
    rig.configure(port, lines, more=f"[broker.tls]\nca = '{certificates.folder}/ca.pem'\n")
    daemon = rig.daemon()
    away = daemon.wait_for("broker.away")
    assert "certificate verify failed" in away["reason"]
    assert daemon.stop() == 0, daemon.said()
    subscriber = rig.subscriber(broker)
    assert subscriber.entries() == []
    # The right authority, and a name that is not in the certificate.
    server = stranger.authority.issue_cert("elsewhere.example")
    server.cert_chain_pems[0].write_to_path(stranger.folder / "server.pem")
    server.private_key_pem.write_to_path(stranger.folder / "server.key")
    broker.stop()
    broker.start()
    rig.configure(port, lines, more=f"[broker.tls]\nca = '{stranger.folder}/ca.pem'\n")
    daemon = rig.daemon()
    away = daemon.wait_for("broker.away")
    assert "certificate verify failed" in away["reason"]
    assert daemon.stop() == 0, daemon.said()
    assert subscriber.entries() == []


def test_without_our_certificate_the_reason_is_told(rig, certificates):
    port = harness.free_port()
    rig.mosquitto(more=certificates.broker(port))
    rig.configure(
        port, broker="version = '5'\n", more=f"[broker.tls]\nca = '{certificates.folder}/ca.pem'\n"
    )
    daemon = rig.daemon()
    away = daemon.wait_for("broker.away")
    # The broker's alert may be lost with the connection, so the reason must not rest on it.
    assert "hung up before it accepted us" in away["reason"]
    assert "perhaps it wants another certificate of ours" in away["reason"]
    assert daemon.stop() == 0, daemon.said()


def test_secrets_reach_the_broker_and_nobody_else(rig):
    """Password by file and by environment; in no log, no argument, no state, no listing."""
    passwords = rig.folder / "passwords"
    subprocess.run(
        [shutil.which("mosquitto_passwd", path="/usr/bin:/usr/local/bin"), "-c", "-b", passwords, "bench", SECRET],
        check=True,
        capture_output=True,
    )  # fmt: skip
    port = harness.free_port()
    broker = rig.mosquitto(port=port, more=f"allow_anonymous false\npassword_file {passwords}\n")
    (rig.folder / "secret").write_text("wrong-" + SECRET + "\n")
    counter, lines = rig.counter("line", 100)
    section = "username = 'bench'\npassword_file = 'secret'\n"
    rig.configure(port, lines, broker=section)
    daemon = rig.daemon(environment={"BENCHTALLY_LOG__LEVEL": "debug"})
    refused = daemon.wait_for("broker.away")
    assert "refused us" in refused["reason"]
    (rig.folder / "secret").write_text(SECRET + "\n")  # read anew for the next attempt
    daemon.wait_for("broker.connected")
    publisher = daemon.publisher()
    seen = [
        Path(f"/proc/{pid}/{what}").read_bytes()
        for pid in (daemon.pid, publisher)
        for what in ("cmdline", "environ")
    ]
    for command in (["check"], ["outbox", "publishers", "--json"], ["outbox", "list"]):
        rig.run(*command)
    hold(rig, counter)
    assert daemon.stop() == 0, daemon.said()
    # The same by the environment, which wins over the file.
    rig.configure(port, lines, broker="username = 'bench'\n")
    other = rig.daemon(
        environment={"BENCHTALLY_BROKER__PASSWORD": SECRET, "BENCHTALLY_LOG__LEVEL": "debug"}
    )
    other.wait_for("broker.connected")
    assert other.stop() == 0, other.said()
    texts = [path.read_bytes() for path in rig.outputs if path.exists()]
    assert len(texts) >= 5
    for text in [*seen, *texts, broker.said().encode()]:
        assert SECRET.encode() not in text
    kept = [path for path in rig.folder.iterdir() if path.is_file() and path.name != "secret"]
    assert not [path for path in kept if SECRET.encode() in path.read_bytes()]
