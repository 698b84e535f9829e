"""Guessing passwords is slow, keeps nobody out of his own browser, and takes no page's thread."""

from __future__ import annotations

import threading

import argon2
from board_people import PASSWORD, ROOT


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
        assert release.wait(120)
        return verify(self, written, password)

    monkeypatch.setattr(argon2.PasswordHasher, "verify", held)
    matches = people.passwords.matches
    flood = [threading.Thread(target=matches, args=("", f"x{i}")) for i in range(10)]
    for thread in flood:
        thread.start()
    for _ in range(2):
        assert begun.acquire(timeout=120)
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
