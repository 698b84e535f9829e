"""A proxy that says who its visitor is: which one is believed, and for whom."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from board_people import ROOT, People


@pytest.fixture
def proxied(tmp_path) -> Iterator[People]:
    people = People(
        tmp_path, sign_on_header="X-Signed-On", sign_on_from=("10.0.0.5", "2001:db8::5")
    )
    yield people
    people.records.close()


@pytest.mark.parametrize("peer", ["10.0.0.5", "2001:db8::5", "::ffff:10.0.0.5"])
def test_a_proxy_of_ours_says_who_it_is(proxied, peer):
    browser = proxied.browser(peer)
    page = browser.get("/account", **{"X-Signed-On": "RUI"})
    assert page.status_code == 200
    assert "Rui Prata" in page.text
    assert "Another server has said who you are" in page.text
    assert not browser.is_in(), "it says so with each request"


@pytest.mark.parametrize(
    "peer", ["10.0.0.6", "127.0.0.1", "192.0.2.7", "2001:db8::6", "testclient"]
)
def test_the_header_of_anybody_else_is_not_believed(proxied, peer, caplog):
    browser = proxied.browser(peer)
    for _ in range(3):
        page = browser.get("/account", **{"X-Signed-On": "rui"})
        assert page.status_code == 303
    told = [r for r in caplog.records if "is not believed" in r.message]
    assert len(told) == 1


def test_without_the_setting_no_header_says_who_it_is(people):
    for header in ("X-Signed-On", "X-Remote-User", "Remote-User", "X-Forwarded-User"):
        assert people.browser("10.0.0.5").get("/account", **{header: "rui"}).status_code == 303


@pytest.mark.parametrize("named", ["nobody", "rui prata", "rui,eva", "root", "%72ui", "rui\t x"])
def test_a_name_without_account_opens_nothing(proxied, named):
    assert proxied.browser("10.0.0.5").get("/account", **{"X-Signed-On": named}).status_code == 303


def test_two_names_are_none(proxied):
    """One of them may have come through the proxy from its visitor."""
    browser = proxied.browser("10.0.0.5")
    headers = [("Accept", "text/html"), ("X-Signed-On", "rui"), ("X-Signed-On", "rui")]
    assert browser.client.get("/account", headers=headers).status_code == 303


def test_a_disabled_account_is_not_let_in_by_a_proxy(proxied):
    proxied.records.accounts.set_disabled("rui", True, ROOT, 0)
    assert proxied.browser("10.0.0.5").get("/account", **{"X-Signed-On": "rui"}).status_code == 303


def test_who_comes_by_a_proxy_needs_the_forms_seal_as_others_do(proxied):
    browser = proxied.browser("10.0.0.5")
    by_proxy = {"X-Signed-On": "rui"}
    assert browser.send("/sign-out", {"everywhere": ""}, **by_proxy).status_code == 403
    # The page of the account has no form for who came by a proxy; the seal is the account's.
    visitor = proxied.doors.recognise(_request("10.0.0.5", {"x-signed-on": "rui"}))
    assert visitor is not None
    told = browser.send("/sign-out", {"form_token": visitor.form_token}, **by_proxy)
    assert told.status_code == 409


def _request(peer: str, headers: dict[str, str], path: str = "/"):
    from fastapi import Request

    raw = [(k.encode(), v.encode()) for k, v in headers.items()]
    scope = {
        "type": "http", "method": "GET", "path": path, "headers": raw, "query_string": b"",
        "client": (peer, 1), "server": ("board.example", 443), "scheme": "https",
    }  # fmt: skip
    return Request(scope)
