"""Visits: what ends them, and the page of one's own account."""

from __future__ import annotations

import pytest
from board_bench import text_of
from board_people import PASSWORD, ROOT, SESSION, People
from fastapi import APIRouter

from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.paper import Paper
from gateway.board.visitor import Role

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


@pytest.mark.parametrize("path", ["/?part=live", "/alarms?show=all&part=live", "/live"])
def test_a_page_that_is_left_open_keeps_no_visit_alive(tmp_path, path):
    """It asks for its changing part every minute, whether anybody is there or not."""
    people = People(tmp_path, standing_open, session_idle_minutes=30)
    browser = people.browser()
    browser.sign_in()
    people.later(20)
    assert browser.is_in()
    for _ in range(29):
        people.later(1)
        assert browser.get(path).status_code == 200
    people.later(1)
    assert browser.get(path).status_code == 303
    assert not browser.is_in()
    people.records.close()


def standing_open(board: Board, paper: Paper) -> APIRouter:
    """Pages at the addresses of those that ask of themselves."""
    router = APIRouter(dependencies=[needs(Role.VIEW)])
    for path in ("/", "/alarms", "/live"):
        router.add_api_route(path, lambda: "")
    return router


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


@pytest.mark.parametrize("end", ["signed out", "disabled", "roles", "password"])
def test_what_ends_a_visit_changes_the_mark_by_which_open_pages_are_let_go(people, end):
    browser = people.browser()
    browser.sign_in()
    accounts, before = people.records.accounts, people.records.change_mark().people
    assert browser.is_in()
    assert people.records.change_mark().people == before
    match end:
        case "signed out":
            accounts.end_sessions("rui", ROOT, 0)
        case "disabled":
            accounts.set_disabled("rui", True, ROOT, 0)
        case "roles":
            accounts.set_roles("rui", ["plan"], ROOT, 0)
        case "password":
            accounts.set_password("rui", people.passwords.hashed("x"), ROOT, 0)
    assert people.records.change_mark().people != before


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
