"""A certificate of the pages whose days are over, or nearly: browsers refuse it without a way round."""

from datetime import UTC, datetime, timedelta

import pytest
import trustme

from capture.config import Config
from capture.doctor.web import web

NOW = datetime.now(UTC).replace(microsecond=0)


@pytest.fixture
def judged(tmp_path):
    """Give what the doctor says of a certificate that begins and ends so many days from now."""

    def judge(begins, ends):
        made = trustme.CA().issue_cert(
            "localhost",
            not_before=NOW + timedelta(days=begins),
            not_after=NOW + timedelta(days=ends),
        )
        chain = b"".join(each.bytes() for each in made.cert_chain_pems)
        (tmp_path / "bench.pem").write_bytes(chain)
        (tmp_path / "bench.key").write_bytes(made.private_key_pem.bytes())
        settings = Config(
            site="sawmill",
            bench="bench-1",
            web={
                "port": 0,
                "tls_certificate": tmp_path / "bench.pem",
                "tls_key": tmp_path / "bench.key",
            },
        )
        return next(iter(web(settings, None)))

    return judge


def test_a_certificate_with_time_left_is_well_and_its_end_is_said(judged):
    found = judged(-1, 90)
    assert found.level == "ok"
    assert f"belongs to its key, valid until {NOW + timedelta(days=90):%Y-%m-%d}" in found.says


def test_one_that_ends_soon_is_to_be_looked_at(judged):
    found = judged(-30, 7)
    assert found.level == "look"
    assert "put a new certificate" in found.do


@pytest.mark.parametrize(
    ("begins", "ends", "why"), [(-30, -2, "has expired"), (2, 30, "is not valid yet")]
)
def test_one_that_no_browser_takes_is_wrong(judged, begins, ends, why):
    found = judged(begins, ends)
    assert found.level == "wrong"
    assert f"bench.pem: {why}: no browser opens the pages" in found.says
