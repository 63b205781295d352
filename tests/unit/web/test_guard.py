"""Requests that are not meant for this host are refused before anything looks at them."""

import socket

import pytest

REQUESTS = (
    ({}, 200),
    ({"Host": "localhost:1"}, 200),
    ({"Host": "127.0.0.1"}, 200),
    ({"Host": "[::1]:8470"}, 200),
    ({"Host": "bench.evil.example"}, 421),
    ({"Host": "127.0.0.1.evil.example:8470"}, 421),
    ({"Host": "localhost.evil.example"}, 421),
    ({"Host": ""}, 421),
    ({"Host": "localhost:8470", "Origin": "http://localhost:8470"}, 200),
    ({"Host": "LOCALHOST:8470", "Origin": "http://localhost:8470"}, 200),
    ({"Host": "localhost:8470", "Origin": "http://localhost:3000"}, 403),
    ({"Host": "localhost:8470", "Origin": "http://localhost"}, 403),
    ({"Host": "localhost:8470", "Origin": "http://127.0.0.1:8470"}, 403),
    ({"Origin": "http://evil.example"}, 403),
    ({"Origin": "null"}, 403),
    ({"Origin": "http://127.0.0.1.evil.example"}, 403),
    ({"Origin": "http://[::1"}, 403),
    ({"Sec-Fetch-Site": "cross-site"}, 403),
    ({"Sec-Fetch-Site": "same-site"}, 403),
    ({"Sec-Fetch-Site": "same-origin"}, 200),
    ({"Sec-Fetch-Site": "none"}, 200),
)


def test_only_this_host_and_its_own_pages_are_answered(served):
    for headers, status in REQUESTS:
        answer = served.client.get("/api/bench", headers=headers)
        assert answer.status_code == status, (headers, answer.text)
        if status != 200:
            assert answer.headers["content-type"] == "application/problem+json"
            assert answer.json()["detail"]


def test_a_body_is_bounded_whether_it_says_its_length_or_not(served):
    large = b"x" * 300_000
    said = served.client.post("/api/jobs", content=large)
    assert said.status_code == 413
    unsaid = served.client.post(
        "/api/jobs", content=(large[n : n + 1000] for n in range(0, 300_000, 1000))
    )
    assert unsaid.status_code == 413


@pytest.mark.parametrize("length", ["-1", "1e3", "99999999999999999999999", "٣"])
def test_an_odd_length_is_refused(served, length):
    with socket.create_connection(("127.0.0.1", served.server.port), timeout=10) as raw:
        lines = (
            "POST /api/jobs HTTP/1.1",
            "Host: localhost",
            f"Content-Length: {length}",
            "Connection: close",
            "",
            "",
        )
        raw.sendall("\r\n".join(lines).encode())
        status = raw.recv(100).split(b" ")[1]
    assert status in (b"400", b"413")
