"""Wrong passwords lock a name at one address, also where all requests come through one proxy."""

from __future__ import annotations

import pytest

from config.clients import address_of
from tests.public.staging import PASSWORD

pytestmark = pytest.mark.django_db


def sign_in(client, password: str, **headers) -> int:
    return client.post("/sign-in/", {"username": "planner", "password": password}, **headers).status_code


@pytest.fixture
def planner(cast):
    cast["planner"].set_password(PASSWORD)
    cast["planner"].save()


def test_behind_a_proxy_nobody_can_lock_a_colleague_out(client, planner, settings):
    """The proxy appends whom it heard (RFC 7239's older header, X-Forwarded-For): its last entry is its own word."""
    settings.BEHIND_PROXY = True
    stranger = {"HTTP_X_FORWARDED_FOR": "203.0.113.9", "REMOTE_ADDR": "10.0.0.1"}
    assert [sign_in(client, "wrong", **stranger) for _ in range(9)][-1] == 429
    assert sign_in(client, PASSWORD, **stranger) == 429
    # what the sender put before it makes no new address
    forged = {"HTTP_X_FORWARDED_FOR": "198.51.100.7, 203.0.113.9", "REMOTE_ADDR": "10.0.0.1"}
    assert sign_in(client, PASSWORD, **forged) == 429
    colleague = {"HTTP_X_FORWARDED_FOR": "192.0.2.4", "REMOTE_ADDR": "10.0.0.1"}
    assert sign_in(client, PASSWORD, **colleague) == 302


def test_without_a_proxy_its_header_is_nobodys_word(client, planner, settings):
    settings.BEHIND_PROXY = False
    for i in range(9):
        last = sign_in(client, "wrong", HTTP_X_FORWARDED_FOR=f"203.0.113.{i}", REMOTE_ADDR="198.51.100.7")
    assert last == 429


@pytest.mark.parametrize(
    ("header", "address"),
    [
        ("203.0.113.9", "203.0.113.9"),
        ("junk, 203.0.113.9:4711", "203.0.113.9"),
        ("[2001:db8::7]:4711", "2001:db8::7"),
        ("2001:db8::7", "2001:db8::7"),
        ("unknown", "10.0.0.1"),
        ("", "10.0.0.1"),
    ],
)
def test_the_proxys_word(rf, settings, header, address):
    settings.BEHIND_PROXY = True
    assert address_of(rf.get("/", HTTP_X_FORWARDED_FOR=header, REMOTE_ADDR="10.0.0.1")) == address
