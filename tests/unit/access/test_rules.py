"""Names, secrets, waiting: each rule by itself."""

import pytest
from argon2 import PasswordHasher

from capture.access import backoff
from capture.access.backoff import BackOff
from capture.access.gate import network_of
from capture.access.names import key_of, tidy_name
from capture.access.secret import Hasher, check_secret
from capture.errors import InputError


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("winder", "winder"),
        ("  Foreman \t 2 ", "Foreman 2"),
        ("Prüfer", "Prüfer"),
        ("Pru\u0308fer", "Prüfer"),
        ("ﬁtter", "fitter"),
        ("巻線工", "巻線工"),
    ],
)
def test_names_are_tidied(typed, name):
    assert tidy_name(typed) == name


def test_names_that_differ_in_case_are_one():
    assert key_of("Straße 2") == key_of("STRASSE 2")


@pytest.mark.parametrize(
    "typed", ["", " ", "a\x00b", "a\u200bb", "\u202ea", "a\u2028b\x1b", "x" * 81]
)
def test_names_that_could_mislead_are_refused(typed):
    with pytest.raises(InputError, match="that print"):
        tidy_name(typed)


@pytest.mark.parametrize(
    "secret", ["271828", "0271828", "a pass phrase", "ten signs!", "1234567891", "ä" * 9 + "ö"]
)
def test_secrets_that_are_taken(secret):
    assert check_secret(secret) == secret


@pytest.mark.parametrize(
    ("secret", "says"),
    [
        ("", "at least 6 digits"),
        ("27182", "at least 6 digits"),
        ("27182x", "at least 10 characters"),
        ("nine sign", "at least 10 characters"),
        ("２７１８２８", "at least 10 characters"),
        ("000000", "first"),
        ("123456", "first"),
        ("987654", "first"),
        ("aaaaaaaaaaaa", "first"),
        ("x1" * 101, "more than 200"),
    ],
)
def test_secrets_that_are_not(secret, says):
    with pytest.raises(InputError, match=says):
        check_secret(secret)


def test_hashes_are_argon2id_as_documented_and_salted():
    hasher = Hasher()
    hashed = hasher.hash("271828")
    # RFC 9106, section 4, second recommended option: t=3, m=2^16 KiB; one lane (p), see Hasher.
    assert hashed.startswith("$argon2id$v=19$m=65536,t=3,p=1$")
    assert hasher.verify(hashed, "271828")
    assert not hasher.verify(hashed, "271829")


def test_whichever_keyboard_composed_it_a_secret_is_the_same():
    hasher = Hasher(1, 8)
    hashed = hasher.hash("Pru\u0308fstand 2")
    assert hashed != hasher.hash("Prüfstand 2")
    assert hasher.verify(hashed, "Prüfstand 2")


@pytest.mark.parametrize("hashed", [None, "", "no hash", "$argon2id$v=19$m=8,t=1,p=1$AAAA$AAAA"])
def test_what_is_no_hash_is_nobodys(hashed):
    assert Hasher(1, 8).verify(hashed, "nobody's") is False


@pytest.mark.parametrize("known", [True, False])
def test_the_first_attempt_costs_the_same_whether_there_is_such_an_operator(monkeypatch, known):
    """And no start pays for it: what nobody's secret is verified against is made by the first."""
    hashed = Hasher(1, 8).hash("271828") if known else None
    runs = []
    real_hash, real_verify = PasswordHasher.hash, PasswordHasher.verify
    monkeypatch.setattr(
        PasswordHasher, "hash", lambda *given: runs.append("hash") or real_hash(*given)
    )
    monkeypatch.setattr(
        PasswordHasher, "verify", lambda *given: runs.append("verify") or real_verify(*given)
    )
    hasher = Hasher(1, 8)
    assert not runs
    assert not hasher.verify(hashed, "271829")
    assert runs == ["hash", "verify"]
    assert not hasher.verify(hashed, "271829")
    assert runs == ["hash", "verify", "verify"]


def test_waiting_doubles_to_half_a_minute_and_is_forgotten():
    back_off, now, waits = BackOff(), 0.0, []
    for _ in range(8):
        assert back_off.wait(("a",), now) == 0
        back_off.begin(("a",), now)
        waits.append(back_off.wait(("a",), now))
        now += waits[-1]
    assert waits == [1, 2, 4, 8, 16, 30, 30, 30]
    assert back_off.wait(("b",), now) == 0
    assert back_off.wait(("a",), now + 901) == 0
    back_off.begin(("a",), now + 901)
    assert back_off.wait(("a",), now + 901) == 1


def test_the_table_is_bounded_and_cannot_be_flushed(monkeypatch):
    monkeypatch.setattr(backoff, "_MOST", 64)
    back_off = BackOff()
    for _ in range(10):
        back_off.begin(("guessed at",), 0.0)
    for n in range(1000):
        back_off.begin((f"name {n}",), 1.0 + n / 1000)
        assert len(back_off) <= 64
    assert back_off.wait(("guessed at",), 2.0) == 28


@pytest.mark.parametrize(
    ("address", "network"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("unknown", "unknown"),
    ],
)
def test_one_attacker_holds_one_network(address, network):
    assert network_of(address) == network
