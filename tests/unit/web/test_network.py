"""A bench that others reach: TLS, headers, and connections that mean to hold the place."""

import os
import socket
import ssl

import httpx
import pytest
import trustme

from capture.app import Daemon
from capture.config import Config, WebConfig
from capture.errors import ConfigError
from capture.web import guard, protocol
from capture.web.tls import Tls
from tests.unit.web.conftest import Served

NETWORK = {"host": "192.0.2.7", "insecure": True}


@pytest.fixture
def authority():
    return trustme.CA()


@pytest.fixture
def files(tmp_path, authority):
    """Certificate and key as a site keeps them."""
    return _write(tmp_path, authority)


def _write(folder, authority):
    made = authority.issue_cert("127.0.0.1", "localhost", "127.0.0.2")
    certificate, key = folder / "bench.pem", folder / "bench.key"
    for path, blobs in ((certificate, made.cert_chain_pems), (key, [made.private_key_pem])):
        new = path.with_suffix(".new")
        new.write_bytes(b"".join(each.bytes() for each in blobs))
        new.replace(path)
    return certificate, key


@pytest.fixture
def trust(authority):
    context = ssl.create_default_context()
    authority.configure_trust(context)
    return context


@pytest.fixture
def serve(tmp_path):
    """Serve a bench as configured."""
    made = []

    def start(**web):
        made.append(Served(tmp_path, **web))
        return made[-1]

    yield start
    for each in made:
        each.close()


@pytest.fixture
def over_tls(serve, files):
    certificate, key = files
    return serve(
        tls=Tls(certificate, key), tls_certificate=certificate, tls_key=key, host="127.0.0.2"
    )


# ── TLS ──────────────────────────────────────────────────────────────────────────────────────


def test_over_tls_the_cookie_keeps_to_this_host_and_to_tls(over_tls, trust):
    over_tls.add_operator("winder")
    client = over_tls.nobody(verify=trust)
    assert str(client.base_url).startswith("https://")
    answer = over_tls.log_in(client, "winder", "271828")
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("__Host-benchtally-bench-1=")
    assert "; secure" in cookie.lower()
    assert "; path=/" in cookie.lower()
    assert "domain" not in cookie.lower()
    assert answer.json()["insecure"] is False
    assert client.get("/api/bench").status_code == 200
    assert answer.headers["strict-transport-security"] == "max-age=31536000"


def test_a_cookie_without_the_prefix_is_not_believed_over_tls(over_tls, trust):
    token = dict(over_tls.as_("winder", verify=trust).cookies).popitem()[1]
    forced = over_tls.nobody(verify=trust, cookies={"benchtally-bench-1": token})
    assert forced.get("/api/bench").status_code == 401


def test_old_tls_and_no_tls_get_no_answer(over_tls, trust):
    with pytest.raises(httpx.TransportError):
        httpx.get(over_tls.server.url.replace("https", "http") + "/health", timeout=10)
    trust.minimum_version = ssl.TLSVersion.TLSv1_2
    trust.maximum_version = ssl.TLSVersion.TLSv1_2
    assert over_tls.nobody(verify=trust).get("/health").status_code == 200
    old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    old.check_hostname, old.verify_mode = False, ssl.CERT_NONE
    with pytest.warns(DeprecationWarning, match="TLSv1"):
        old.minimum_version = ssl.TLSVersion.TLSv1
    with pytest.warns(DeprecationWarning, match="TLSv1_1"):
        old.maximum_version = ssl.TLSVersion.TLSv1_1
    old.set_ciphers("ALL:@SECLEVEL=0")
    place = (over_tls.server.host, over_tls.server.port)
    with (
        socket.create_connection(place, timeout=10) as raw,
        pytest.raises(ssl.SSLError, match=r"(?i)alert|version|protocol"),
    ):
        old.wrap_socket(raw)


def test_a_replaced_certificate_is_shown_without_a_restart(over_tls, trust, files, tmp_path):
    tls = over_tls.server._tls
    assert over_tls.nobody(verify=trust).get("/health").status_code == 200
    assert tls.renew() is False
    # Half of the pair: what cannot be used is left alone.
    key = files[1].read_bytes()
    files[1].write_bytes(key[: len(key) // 2])
    os.utime(files[1], ns=(1, 1))
    assert tls.renew() is False
    assert over_tls.nobody(verify=trust).get("/health").status_code == 200
    other = trustme.CA()
    _write(tmp_path, other)
    assert tls.renew() is True
    with pytest.raises(httpx.ConnectError):
        over_tls.nobody(verify=trust).get("/health")
    anew = ssl.create_default_context()
    other.configure_trust(anew)
    assert over_tls.nobody(verify=anew).get("/health").status_code == 200


def test_a_certificate_that_cannot_be_used_is_told_in_one_line(tmp_path, files):
    certificate, key = files
    foreign = _write(_folder(tmp_path, "foreign"), trustme.CA())[1]
    locked = tmp_path / "locked.key"
    locked.write_text(
        key.read_text().replace("RSA PRIVATE KEY", "ENCRYPTED PRIVATE KEY").replace("EC ", "ENC ")
    )
    for pair, says in (
        ((tmp_path / "none.pem", key), "web.tls_certificate"),
        ((certificate, tmp_path / "none.key"), "web.tls_key"),
        ((certificate, foreign), "belong together"),
        ((certificate, certificate), "belong together"),
        ((certificate, locked), "without a passphrase"),
    ):
        with pytest.raises(ConfigError, match=says) as caught:
            Tls(*pair)
        assert "\n" not in str(caught.value)


def _folder(parent, name):
    made = parent / name
    made.mkdir()
    return made


# ── a network without TLS ────────────────────────────────────────────────────────────────────


def test_a_network_without_tls_says_so_everywhere(serve):
    served = serve(**NETWORK)
    served.add_operator("winder")
    client = served.nobody(headers={"Host": "192.0.2.7:8470"})
    assert client.get("/api/session").json()["insecure"] is True
    answer = served.log_in(client, "winder", "271828")
    assert answer.json()["insecure"] is True
    cookie = {"Cookie": answer.headers["set-cookie"].partition(";")[0]}
    assert client.get("/api/bench", headers=cookie).json()["insecure"] is True
    assert "strict-transport-security" not in answer.headers
    assert served.bench.insecure is True


def test_on_a_network_a_name_alone_gets_nobody_in(serve):
    served = serve(**NETWORK)
    assert served.log_in(served.nobody(), "technician").status_code == 401


def test_others_are_served_only_when_somebody_is_registered(tmp_path):
    for web in (NETWORK, {"hosts": ("bench-1.plant.example",)}):
        config = Config(site="sawmill", bench="bench-1", web=WebConfig(port=0, **web))
        config._folder = tmp_path / "new"
        with pytest.raises(ConfigError, match="benchtally operator add NAME"):
            Daemon(config)


# ── headers ──────────────────────────────────────────────────────────────────────────────────


def test_every_answer_tells_the_browser_what_it_may(served, monkeypatch):
    def fail():
        raise ZeroDivisionError

    quiet = served.nobody(headers={"Benchtally-CSRF": served.client.headers["Benchtally-CSRF"]})
    monkeypatch.setattr(served.bench.__class__, "reader", lambda _: fail())
    answers = {
        "page": quiet.get("/jobs"),
        "file": quiet.get("/static/x.js"),
        "problem": quiet.get("/api/bench"),
        "not meant": quiet.get("/api/bench", headers={"Host": "evil.example"}),
        "too large": served.client.post("/api/jobs", content=b"x" * 300_000),
        "no such": served.client.get("/api/nothing"),
        "defect": served.client.get("/api/bench"),
    }
    assert [each.status_code for each in answers.values()] == [303, 404, 401, 421, 413, 404, 500]
    for name, answer in answers.items():
        headers = answer.headers
        policy = dict(
            each.strip().partition(" ")[::2]
            for each in headers["content-security-policy"].split(";")
        )
        assert policy["default-src"] == "'none'", name
        assert policy["script-src"] == policy["style-src"] == "'self'"
        assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["cross-origin-opener-policy"] == "same-origin"
        assert headers["cross-origin-resource-policy"] == "same-origin"
        assert "camera=(self)" in headers["permissions-policy"]
        assert "server" not in headers
        assert headers.get("cache-control") == (None if name == "file" else "no-store"), name


def test_of_all_answers_photos_alone_are_kept_by_the_browser(served, photo):
    digest = served.client.post("/api/evidence", content=photo).json()["sha256"]
    kept = served.client.get(f"/api/evidence/{digest}").headers["cache-control"]
    assert "immutable" in kept
    assert "private" in kept


def test_a_link_on_another_site_may_be_followed_to_a_page_and_nothing_more(served):
    followed = {
        "Sec-Fetch-Site": "cross-site",
        "Sec-Fetch-Mode": "navigate",
        "Sec-Fetch-Dest": "document",
    }
    client = served.nobody(headers=followed)
    assert client.get("/jobs").headers["location"] == "/login?next=/jobs"
    assert client.get("/api/bench").status_code == 403
    assert client.get("/%2fapi/bench").status_code == 403
    assert client.post("/jobs").status_code == 403
    assert client.get("/jobs", headers={"Sec-Fetch-Dest": "iframe"}).status_code == 403
    assert client.get("/jobs", headers={"Sec-Fetch-Mode": "cors"}).status_code == 403


# ── connections that hold a place ────────────────────────────────────────────────────────────


def _connect(served):
    return socket.create_connection(("127.0.0.1", served.server.port), timeout=10)


def _until_closed(raw):
    try:
        return b"".join(iter(lambda: raw.recv(65536), b""))
    except ConnectionResetError:
        return b""


@pytest.mark.parametrize(
    "head",
    [
        b"GET /health HTTP/1.1\r\nHost: localhost\r\nX-Large: " + b"x" * 60_000 + b"\r\n\r\n",
        b"GET /health HTTP/1.1\r\nHost: localhost\r\n" + b"X-Many: 1\r\n" * 6000 + b"\r\n",
        b"GET /" + b"x" * 60_000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"GET /health HTTP/1.1\r\nHost: localhost\r\nHost: evil.example\r\n\r\n",
        b"GET /health HTTP/1.1\r\n\r\n",
        (
            b"GET /health HTTP/1.1\r\nHost: localhost\r\nContent-Length: 1\r\n"
            b"Transfer-Encoding: chunked\r\nContent-Length: 2\r\n\r\n"
        ),
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n",
    ],
)
def test_a_head_that_is_huge_or_ambiguous_is_refused(served, head):
    with _connect(served) as raw:
        try:
            raw.sendall(head)
        except ConnectionError:
            return  # closed before all of it was sent
        answer = _until_closed(raw)
    assert answer == b"" or answer.split()[1] in (b"400", b"431"), answer[:80]
    assert served.nobody().get("/health").status_code == 200


@pytest.mark.parametrize("said", [b"", b"GET /hea", b"GET /health HTTP/1.1\r\nHost: loc"])
def test_who_does_not_ask_is_not_waited_for(served, monkeypatch, said):
    monkeypatch.setattr(protocol, "HEAD_S", 0.3)
    with _connect(served) as raw:
        raw.sendall(said)
        assert _until_closed(raw) == b""


def test_nor_who_asks_once_and_then_a_letter_at_a_time(served, monkeypatch):
    monkeypatch.setattr(protocol, "HEAD_S", 0.3)
    with _connect(served) as raw:
        raw.sendall(b"GET /health HTTP/1.1\r\nHost: localhost\r\n\r\nGET /hea")
        answer = _until_closed(raw)
    assert answer.count(b"HTTP/1.1 200") == 1


def test_a_body_that_never_comes_is_not_waited_for(served, monkeypatch):
    monkeypatch.setattr(guard, "WHOLE_S", 0.3)
    with _connect(served) as raw:
        raw.sendall(
            b"POST /api/session HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n"
            b'Content-Type: application/json\r\nContent-Length: 100\r\n\r\n{"operator"'
        )
        answer = _until_closed(raw)
    assert answer.startswith(b"HTTP/1.1 408"), answer
    assert answer.count(b"HTTP/1.1") == 1


def test_one_address_cannot_take_all_places(served, monkeypatch, wait_until):
    monkeypatch.setattr(protocol, "MOST_OF_ONE", 4)
    held = [_connect(served) for _ in range(4)]
    with _connect(served) as fifth:
        assert _until_closed(fifth) == b""
    other = served.nobody(transport=httpx.HTTPTransport(local_address="127.0.0.2"))
    assert other.get("/health").status_code == 200
    for raw in held:
        raw.close()

    def again():
        try:
            return served.nobody().get("/health").status_code == 200
        except httpx.TransportError:
            return False

    wait_until(again)


def test_a_stream_is_no_slow_request(served, monkeypatch):
    monkeypatch.setattr(protocol, "HEAD_S", 0.2)
    monkeypatch.setattr(guard, "WHOLE_S", 0.2)
    with served.client.stream("GET", "/api/events") as answer:
        told = answer.iter_lines()
        while next(told) != "event: watch":
            pass
        with _connect(served) as idle:
            assert _until_closed(idle) == b""  # longer than either has passed
        served.seen = served.seen.__class__(reason="the leads are off")
        served.changes.tell()
        while "the leads are off" not in next(told):
            pass
