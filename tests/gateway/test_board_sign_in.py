"""Signing in and out: sessions, their ends, guessing, forged forms, ways back, what is told."""

from __future__ import annotations

import logging
import re
import threading
from collections.abc import Iterator
from http.cookies import SimpleCookie
from typing import Annotated
from urllib.parse import urljoin, urlsplit

import argon2
import pytest
from board_bench import Page
from board_people import PASSWORD, ROOT, People
from fastapi import APIRouter, Response
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.accounts.actors import How
from gateway.accounts.keys import kept, new_key, new_token
from gateway.accounts.passwords import Passwords
from gateway.board.doors import needs
from gateway.board.people import Cookies
from gateway.board.visitor import Role, Visitor

SESSION = "__Host-basinward-session"
WRONG = "The name or the password is wrong"


@pytest.fixture
def people(tmp_path) -> Iterator[People]:
    people = People(tmp_path)
    yield people
    people.records.close()


def text_of(response) -> str:
    return Page(response.text).text


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


# ---------------------------------------------------------------- ends


def test_a_visit_ends_when_nothing_is_asked_for_a_while(people):
    browser = people.browser()
    browser.sign_in()
    for _ in range(2):
        people.later(479)
        assert browser.is_in()
    people.later(480)
    page = browser.get("/account?x=1")
    assert page.headers["location"] == "sign-in?to=account%3Fx%3D1"
    told = browser.get("/sign-in?to=account%3Fx%3D1")
    assert "Your visit has ended" in text_of(told)
    assert "Your visit has ended" not in text_of(people.browser().get("/sign-in"))
    assert browser.sign_in(to="account%3Fx%3D1").headers["location"] == "./account?x=1"
    assert browser.is_in()


def test_a_visit_ends_after_a_day_however_much_is_asked(people):
    browser = people.browser()
    browser.sign_in()
    for _ in range(4):
        people.later(5 * 60)
        assert browser.is_in()
    people.later(4 * 60)
    assert not browser.is_in()


def test_a_clock_that_is_set_back_lets_nobody_stay_for_ever(people):
    people.later(60)
    browser = people.browser()
    browser.sign_in()
    people.later(-30)
    assert not browser.is_in()


@pytest.mark.parametrize(("idle", "hours"), [(5, 1), (30, 8)])
def test_both_times_are_settings(tmp_path, idle, hours):
    people = People(tmp_path, session_idle_minutes=idle, session_hours=hours)
    browser = people.browser()
    browser.sign_in()
    people.later(idle - 0.1)
    assert browser.is_in()
    people.later(idle)
    assert not browser.is_in()
    browser.sign_in()
    for _ in range(hours * 60 // (idle - 1)):
        people.later(idle - 1)
        browser.is_in()
    people.later(idle - 1)
    assert not browser.is_in()
    people.records.close()


@pytest.mark.parametrize("change", ["roles", "password", "disabled"])
def test_what_is_changed_at_the_command_line_ends_visits_at_once(people, change):
    browser = people.browser()
    browser.sign_in()
    accounts = people.records.accounts
    if change == "roles":
        accounts.set_roles("rui", ["view"], ROOT, 0)
    elif change == "password":
        accounts.set_password("rui", people.passwords.hashed("x"), ROOT, 0)
    else:
        accounts.set_disabled("rui", True, ROOT, 0)
    assert not browser.is_in()


def test_signing_out_ends_the_visit_here_or_everywhere(people):
    desk, phone, van = (people.browser() for _ in range(3))
    for browser in (desk, phone, van):
        browser.sign_in()
    key = desk.cookies()[SESSION]
    done = desk.send("/sign-out", {"form_token": desk.seal()})
    assert (done.status_code, done.headers["location"]) == (303, "sign-in")
    assert SESSION not in desk.cookies()
    desk.client.cookies.set(SESSION, key)
    assert not desk.is_in()
    assert phone.is_in()
    phone.send("/sign-out", {"form_token": phone.seal(), "everywhere": "1"})
    assert not van.is_in()
    assert [e.action for e in people.records.audit.entries(account="rui", limit=2)] == [
        "signed out everywhere", "signed out"
    ]  # fmt: skip


# ---------------------------------------------------------------- guessing


def test_guessing_is_slow_and_the_answer_says_when_to_come_again(people):
    browser = people.browser()
    answers = [browser.sign_in(password=f"wrong {i}").status_code for i in range(12)]
    assert answers == [403] * 10 + [429] * 2
    right = browser.sign_in()
    assert right.status_code == 429
    assert right.headers["retry-after"] == "901"
    assert "basinward accounts password NAME" in right.text
    assert people.browser("198.51.100.9").sign_in().status_code == 303
    people.later(15)
    assert browser.sign_in().status_code == 303


def test_names_that_do_not_exist_are_counted_like_others(people):
    answers = [people.browser().sign_in("nobody", "x").status_code for _ in range(11)]
    assert answers == [403] * 10 + [429]


def test_no_hash_is_calculated_for_who_must_wait(people, monkeypatch):
    browser = people.browser()
    for _ in range(10):
        browser.sign_in(password="wrong")
    calls: list[str] = []
    monkeypatch.setattr(people.passwords, "matches", lambda *a: calls.append("") or True)
    assert browser.sign_in().status_code == 429
    assert calls == []


def test_a_flood_of_tries_takes_no_more_threads_than_pages_can_spare(people, monkeypatch):
    """Ten wait for their turn at most; who comes then comes again, and is not counted for it."""
    begun, release = threading.Semaphore(0), threading.Event()
    verify = argon2.PasswordHasher.verify

    def held(self, written, password):
        begun.release()
        assert release.wait(60)
        return verify(self, written, password)

    monkeypatch.setattr(argon2.PasswordHasher, "verify", held)
    matches = people.passwords.matches
    flood = [threading.Thread(target=matches, args=("", f"x{i}")) for i in range(10)]
    for thread in flood:
        thread.start()
    for _ in range(2):
        assert begun.acquire(timeout=60)
    while not people.passwords.is_busy:
        threading.Event().wait(0.01)
    browser = people.browser()
    for _ in range(12):
        refused = browser.sign_in()
        assert (refused.status_code, refused.headers["retry-after"]) == (503, "5")
    release.set()
    for thread in flood:
        thread.join()
    assert browser.sign_in().status_code == 303


def test_strangers_keep_nobody_out_of_a_browser_he_has_used_before(people):
    mine = people.browser()
    mine.sign_in()
    mine.send("/sign-out", {"form_token": mine.seal()})
    for i in range(11):
        people.browser("192.0.2.7").sign_in(password=f"wrong {i}")
    for i in range(110):
        people.browser(f"203.0.113.{i}").sign_in(password=f"wrong {i}")
    assert people.browser("198.51.100.1").sign_in().status_code == 429
    assert mine.sign_in().status_code == 303


def test_a_mark_is_of_one_account_and_cannot_be_made_up(people):
    people.records.accounts.add("eva", "Eva", people.passwords.hashed(PASSWORD), ["view"], ROOT, 0)
    evas = people.browser("198.51.100.1")
    evas.sign_in("eva")
    evas.send("/sign-out", {"form_token": evas.seal()})
    mark = evas.cookies()["__Host-basinward-known"]
    chance, _, seal = mark.partition(".")
    for _ in range(10):
        people.browser().sign_in(password="wrong")
    for value in (mark, f"x{mark}", f"{chance}.", f".{seal}", "x", ""):
        browser = people.browser()
        browser.client.cookies.set("__Host-basinward-known", value)
        assert browser.sign_in().status_code == 429, value


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


# ---------------------------------------------------------------- one's own account


def test_one_changes_ones_own_password_and_other_visits_end(people):
    here, there = people.browser(), people.browser()
    here.sign_in()
    there.sign_in()
    token = {"form_token": here.seal()}
    new = "seven green valves in rain"
    for fields, words in [
        ({"password": "wrong", "new": new}, "present password is wrong"),
        ({"password": PASSWORD, "new": "short"}, "at least 15"),
        ({"password": PASSWORD, "new": "Rui Prata Rui Prata"}, "own name"),
        ({"password": PASSWORD}, "at least 15"),
    ]:
        refused = here.send("/account", token | fields)
        assert refused.status_code in {403, 422}
        assert words in text_of(refused)
    assert there.is_in()
    assert "new password holds" in text_of(
        here.send("/account", token | {"password": PASSWORD, "new": new})
    )
    assert here.is_in()
    assert not there.is_in()
    assert there.sign_in().status_code == 403
    assert there.sign_in(password=new).status_code == 303
    assert [e.action for e in people.records.audit.entries(subject="rui", limit=2)] == [
        "signed in", "password set"
    ]  # fmt: skip


def test_guessing_the_present_password_of_an_open_visit_is_slow_too(people):
    browser = people.browser()
    browser.sign_in()
    token = {"form_token": browser.seal()}
    answers = [
        browser.send("/account", token | {"password": f"x{i}", "new": "y"}).status_code
        for i in range(12)
    ]
    assert answers == [403] * 10 + [429] * 2


def test_the_page_of_the_account_lists_visits_and_shows_nothing_of_hostile_ones(people):
    people.browser().client.headers["User-Agent"] = "x"
    hostile = people.browser()
    hostile.client.headers["User-Agent"] = "<script>alert(1)</script>\"'\x1b[31m"
    hostile.sign_in()
    browser = people.browser()
    browser.sign_in()
    page = browser.get("/account")
    assert "<script>" not in page.text
    assert "\x1b" not in page.text
    assert page.text.count("<li>") == 2
    assert page.text.count("<strong>Here</strong>") == 1


# ---------------------------------------------------------------- by a proxy


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


# ---------------------------------------------------------------- programs


def api(board, paper) -> APIRouter:
    """A page that programs ask for, and one for people."""
    router = APIRouter()

    @router.get("/api/hall")
    def look(visitor: Annotated[Visitor, needs(Role.VIEW)]) -> Response:
        return Response(f"{visitor.name} {visitor.how} {' '.join(sorted(visitor.roles))}")

    @router.post("/api/plan")
    def plan(visitor: Annotated[Visitor, needs(Role.PLAN)]) -> Response:
        return Response("planned")

    @router.get("/hall")
    def hall(visitor: Annotated[Visitor, needs(Role.VIEW)]) -> Response:
        return Response("hall")

    return router


@pytest.fixture
def programs(tmp_path) -> Iterator[People]:
    people = People(tmp_path, api)
    yield people
    people.records.close()


def token(people: People, *roles: str, days: int = 1) -> str:
    made = new_token()
    people.records.accounts.add_token(
        "rui", "figures", kept(made), roles, people.now_ms + days * 86_400_000, ROOT, people.now_ms
    )
    return str(made)


def ask(people: People, shown: str, path: str = "/api/hall"):
    return people.browser().client.get(path, headers={"Authorization": shown})


def test_a_token_lets_a_program_in_with_what_both_it_and_its_account_may(programs):
    made = token(programs, "view", "plan")
    assert ask(programs, f"Bearer {made}").text == "Rui Prata token view"
    assert ask(programs, f"bEARER  {made}").status_code == 200  # RFC 9110, section 11.1
    everything = token(programs, "administer")
    assert ask(programs, f"Bearer {everything}").text == "Rui Prata token operate view"
    posted = programs.browser().client.post(
        "/api/plan", headers={"Authorization": f"Bearer {made}"}
    )
    assert posted.status_code == 403
    programs.records.accounts.set_roles("rui", ["view", "plan"], ROOT, 0)
    posted = programs.browser().client.post(
        "/api/plan", headers={"Authorization": f"Bearer {made}"}
    )
    assert (posted.status_code, posted.text) == (200, "planned"), "no form's seal is asked for"


def test_a_token_ends_by_time_by_hand_and_with_its_account(programs):
    made = token(programs, "view", days=2)
    programs.later(2 * 1440 - 1)
    assert ask(programs, f"Bearer {made}").status_code == 200
    (seen,) = programs.records.accounts.tokens()
    assert seen.used_ms == programs.now_ms
    programs.later(1)
    assert ask(programs, f"Bearer {made}").status_code == 401
    other = token(programs, "view")
    programs.records.accounts.set_disabled("rui", True, ROOT, 0)
    assert ask(programs, f"Bearer {other}").status_code == 401
    programs.records.accounts.set_disabled("rui", False, ROOT, 0)
    assert ask(programs, f"Bearer {other}").status_code == 200
    programs.records.accounts.revoke_token(2, ROOT, 0)
    refused = ask(programs, f"Bearer {other}")
    assert refused.status_code == 401
    assert refused.headers["www-authenticate"] == "Bearer"
    assert refused.headers["content-type"] == "application/problem+json"


def test_a_token_opens_no_page_for_people_and_a_bad_one_is_nobody(programs):
    made = token(programs, "view")
    assert ask(programs, f"Bearer {made}", "/hall").status_code == 401
    browser = programs.browser()
    browser.sign_in()
    assert browser.get("/api/hall").text == "Rui Prata session operate view"
    bad = browser.get("/api/hall", Authorization="Bearer x")
    assert bad.status_code == 401, "not the browser's own visit instead"


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=80))
def test_whatever_else_is_shown_lets_nobody_in(programs, shown):
    assert ask(programs, shown).status_code == 401
    assert ask(programs, f"Bearer {shown}").status_code == 401
    assert ask(programs, f"Bearer basinward_{shown}").status_code == 401


# ---------------------------------------------------------------- logs


def test_no_secret_comes_into_the_log(programs, caplog):
    caplog.set_level(logging.DEBUG)
    made = token(programs, "view")
    browser = programs.browser()
    browser.sign_in(password="my wrong password typed in haste")
    browser.sign_in(name="pump under five blue lamps", password="x")
    for _ in range(10):
        browser.sign_in(password="my wrong password typed in haste")
    programs.later(16)
    browser.sign_in()
    ask(programs, f"Bearer {made}")
    ask(programs, f"Bearer {made[:-1]}x")
    secrets = [PASSWORD, "typed in haste", made, *browser.cookies().values()]
    logged = "\n".join(r.getMessage() for r in caplog.records if r.name.startswith("gateway"))
    assert "rui has signed in, from 192.0.2.7" in logged
    assert "Signing in failed for a name without account" in logged
    assert "Too many failures for rui" in logged
    assert not [s for s in secrets if s in logged]
