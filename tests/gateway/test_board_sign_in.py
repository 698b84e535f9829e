"""Signing in: new keys, what is kept, forged forms, where one is led."""

from __future__ import annotations

import re
from http.cookies import SimpleCookie
from urllib.parse import urljoin, urlsplit

import argon2
import pytest
from board_bench import Page, text_of
from board_people import PASSWORD, ROOT, SESSION
from fastapi import Response

from gateway.accounts.actors import How
from gateway.accounts.keys import kept, new_key
from gateway.accounts.passwords import Passwords
from gateway.board.people import Cookies

WRONG = "The name or the password is wrong"


# ---------------------------------------------------------------- in


def test_with_name_and_password_one_is_in_and_where_one_wanted(people):
    browser = people.browser()
    assert browser.get("/account").headers["location"] == "sign-in?to=account"
    done = browser.sign_in(" RUI ", to="account")
    assert (done.status_code, done.headers["location"]) == (303, "./account")
    page = browser.get("/account")
    assert page.status_code == 200
    assert "Rui Prata" in text_of(page)
    assert "operate, view" in text_of(page)
    assert [e.action for e in people.records.audit.entries(account="rui")] == ["signed in"]
    (entry,) = people.records.audit.entries(account="rui")
    assert (entry.actor.how, entry.actor.address) == (How.SESSION, "192.0.2.7")
    assert browser.get("/sign-in").headers["location"] == "./"


def test_a_wrong_name_and_a_wrong_password_look_the_same(people):
    people.records.accounts.add("eva", "Eva", "", ["view"], ROOT, 0)
    people.records.accounts.add("old", "Old", people.passwords.hashed(PASSWORD), ["view"], ROOT, 0)
    people.records.accounts.set_disabled("old", True, ROOT, 0)
    told = set()
    for name, password in [
        ("rui", "wrong"), ("nobody", PASSWORD), ("eva", ""), ("eva", PASSWORD), ("old", PASSWORD),
        ("Ünknown name", PASSWORD), ("", ""), ("rui", ""), ("rui", "x" * 5_000),
    ]:  # fmt: skip
        browser = people.browser()
        refused = browser.sign_in(name, password)
        assert not browser.is_in()
        unlike = refused.text.replace(f'value="{name}"', 'value=""')
        told.add((refused.status_code, re.sub(r'name="seal" value="\w+"', "", unlike)))
        assert {c.rpartition("-")[2] for c in browser.cookies()} == {"in"}
    assert len(told) == 1
    ((status, text),) = told
    assert status == 403
    assert WRONG in text


def test_for_every_name_one_hash_is_calculated(people, monkeypatch):
    """By what is called, not by the clock: so the time does not tell which names there are."""
    people.records.accounts.add("eva", "Eva", "", ["view"], ROOT, 0)
    people.records.accounts.add("old", "Old", people.passwords.hashed(PASSWORD), [], ROOT, 0)
    people.records.accounts.set_disabled("old", True, ROOT, 0)
    calls: list[str] = []
    verify = argon2.PasswordHasher.verify

    def noting(self, written, password):
        calls.append(str(argon2.extract_parameters(written)))
        return verify(self, written, password)

    monkeypatch.setattr(argon2.PasswordHasher, "verify", noting)
    for name in ("rui", "nobody", "eva", "old", "not a name at all"):
        calls.clear()
        people.browser().sign_in(name, "wrong")
        assert len(calls) == 1, name
        assert calls == [str(argon2.extract_parameters(people.passwords.hashed("x")))]


def test_a_session_gets_a_new_key_whatever_key_the_browser_came_with(people):
    """Session fixation: a key that somebody else planted opens nothing afterwards."""
    planted = new_key()
    victim = people.browser()
    victim.client.cookies.set(SESSION, planted)
    victim.sign_in()
    mine = victim.cookies()[SESSION]
    assert mine != planted
    thief = people.browser()
    thief.client.cookies.set(SESSION, planted)
    assert not thief.is_in()


def test_signing_in_anew_ends_the_session_of_the_key_before(people):
    browser = people.browser()
    browser.sign_in()
    first = browser.cookies()[SESSION]
    # The page for signing in, fetched before, in another tab.
    browser.client.cookies.delete(SESSION)
    fields = Page(browser.get("/sign-in").text).fields()
    browser.client.cookies.clear()
    people.later(481)
    browser = people.browser()
    browser.client.cookies.set(SESSION, first)
    browser.sign_in()
    second = browser.cookies()[SESSION]
    assert second != first
    assert people.records.accounts.session(kept(first)) is None
    assert fields["seal"]


def test_the_records_hold_no_key_and_no_password(people, tmp_path):
    browser = people.browser()
    browser.sign_in()
    key = browser.cookies()[SESSION]
    people.records.close()
    stored = b"".join(p.read_bytes() for p in tmp_path.glob("records.sqlite*"))
    assert kept(key).encode() in stored
    assert key.encode() not in stored
    assert PASSWORD.encode() not in stored


@pytest.mark.parametrize(
    ("url", "prefix", "path", "secure"),
    [("https://board.example", "__Host-", "/", True),
     ("https://host.example/board", "__Secure-", "/board", True),
     ("http://127.0.0.1:8494", "", "/", False), ("", "", "/", False)],
)  # fmt: skip
def test_cookies_are_for_this_board_alone(url, prefix, path, secure):
    """RFC 6265bis, sections 4.1.2 and 4.1.3; no Domain, so no other host gets them."""
    response = Response()
    Cookies.of(url).give(response, "basinward-session", "k")
    cookie = SimpleCookie(response.headers["set-cookie"])
    ((name, morsel),) = cookie.items()
    assert name == f"{prefix}basinward-session"
    assert (morsel["path"], morsel["samesite"], morsel["domain"]) == (path, "lax", "")
    assert morsel["httponly"] is True
    assert bool(morsel["secure"]) is secure
    assert morsel["max-age"] == ""


def test_a_hash_of_older_parameters_is_made_anew_at_the_next_visit(people):
    older = Passwords(passes=2, memory_kib=16, lanes=1).hashed(PASSWORD)
    people.records.accounts.set_password("rui", older, ROOT, 0)
    people.browser().sign_in()
    account = people.records.accounts.get("rui")
    assert account.password_hash != older
    assert not people.passwords.is_outdated(account.password_hash)
    assert people.browser().sign_in().status_code == 303


# ---------------------------------------------------------------- forged forms


def test_nobody_is_signed_in_by_a_form_that_another_site_made(people):
    """Login CSRF: the seal is of the browser that fetched the page."""
    attackers = Page(people.browser().get("/sign-in").text).fields()
    victim = people.browser()
    for fields in ({}, {"seal": ""}, attackers):
        refused = victim.send("/sign-in", fields | {"name": "rui", "password": PASSWORD})
        assert refused.status_code == 403
        assert not victim.is_in()
    victim.get("/sign-in")
    refused = victim.send("/sign-in", attackers | {"name": "rui", "password": PASSWORD})
    assert refused.status_code == 403
    assert "Sign in again" in text_of(refused)


def test_a_seal_of_another_visit_does_nothing(people):
    one, other = people.browser(), people.browser()
    one.sign_in()
    other.sign_in()
    assert one.seal() != other.seal()
    for token in (other.seal(), "", one.seal()[:-1]):
        assert one.send("/sign-out", {"form_token": token}).status_code == 403
    assert one.is_in()
    assert one.send("/sign-out", {"form_token": one.seal()}).status_code == 303


def test_the_seal_changes_with_every_visit(people):
    browser = people.browser()
    browser.sign_in()
    first = browser.seal()
    browser.send("/sign-out", {"form_token": first})
    browser.sign_in()
    assert browser.seal() != first
    assert browser.send("/sign-out", {"form_token": first}).status_code == 403


def test_a_get_signs_nobody_out(people):
    browser = people.browser()
    browser.sign_in()
    assert browser.get("/sign-out").status_code == 405
    assert browser.is_in()


# ---------------------------------------------------------------- ways back


@pytest.mark.parametrize(
    "to",
    ["https://evil.example", "//evil.example", "/\\evil.example", "javascript:alert(1)\n",
     "../../x", "/%2Fevil.example", "a/%2e%2e/%2e%2e/b", "\r\nSet-Cookie: a=b"],
)  # fmt: skip
def test_one_is_led_nowhere_else(people, to):
    browser = people.browser()
    page = Page(browser.get("/sign-in").text).fields()
    done = browser.send("/sign-in", page | {"name": "rui", "password": PASSWORD, "to": to})
    assert done.status_code == 303
    assert done.headers["location"] == "./"
    assert "a" not in browser.cookies()
    shown = people.browser().client.get("/sign-in", params={"to": to})
    assert Page(shown.text).fields()["to"] == ""


@pytest.mark.parametrize("to", ["javascript:alert(1)", "%2F%2Fevil.example", "https:evil.example"])
def test_what_looks_like_a_scheme_or_a_host_stays_below_the_board(people, to):
    """RFC 3986, section 4.2: './' before it makes it a path."""
    browser = people.browser()
    page = Page(browser.get("/sign-in").text).fields()
    done = browser.send("/sign-in", page | {"name": "rui", "password": PASSWORD, "to": to})
    assert done.headers["location"] == f"./{to}"
    there = urlsplit(urljoin("https://board.example/at/sign-in", done.headers["location"]))
    assert there[:3] == ("https", "board.example", f"/at/{to}")
