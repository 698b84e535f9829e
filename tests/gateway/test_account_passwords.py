"""Passwords by NIST SP 800-63B-4, section 3.1.1.2, and their hashes by RFC 9106."""

from __future__ import annotations

import threading
import unicodedata

import argon2
import pytest
from argon2.profiles import RFC_9106_LOW_MEMORY
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.accounts.passwords import LONGEST, SHORTEST, PasswordRefused, Passwords, why_refused

GOOD = "pump under five blue lamps"
FAST = Passwords(passes=1, memory_kib=8, lanes=1)


def test_hashes_have_the_parameters_that_the_standard_recommends():
    """The library's own profile of RFC 9106, section 4, second recommendation."""
    written = Passwords().hashed(GOOD)
    assert argon2.extract_parameters(written) == RFC_9106_LOW_MEMORY
    assert written.startswith("$argon2id$v=19$m=65536,t=3,p=4$")


def test_a_hash_is_told_by_the_library_itself_and_no_two_are_the_same():
    one, two = FAST.hashed(GOOD), FAST.hashed(GOOD)
    assert one != two
    assert argon2.PasswordHasher().verify(one, GOOD)
    assert FAST.matches(two, GOOD)
    assert not FAST.matches(two, GOOD + " ")
    assert GOOD not in one


@pytest.mark.parametrize("length", [0, 1, SHORTEST - 1])
def test_what_is_short_is_refused_with_the_length_that_is_needed(length):
    assert f"It has {length} characters; at least 15" in why_refused("kq7zu2pw9xv4mtb"[:length])
    assert why_refused("kq7zu2pw9xv4mtb") == ""


def test_long_ones_are_taken_whole_and_beyond_the_bound_refused():
    """The standard: 64 characters at least are taken, and none is cut off."""
    long = "".join(chr(0x4E00 + 37 * i % 9000) for i in range(LONGEST))
    assert why_refused(long) == ""
    written = FAST.hashed(long)
    assert FAST.matches(written, long)
    assert not FAST.matches(written, long[:-1])
    assert not FAST.matches(written, long + "x")
    assert "at most 256" in why_refused(long + "x")


@pytest.mark.parametrize(
    "password",
    ["aaaaaaaaaaaaaaaa", "123456789012345", "12345678901234567890123456789012345678", " " * 20,
     "abcdefghijklmnopq", "ponmlkjihgfedcba", "qwertyuiopasdfgh", "QwertyuiopAsdfg",
     "abc abc abc abc abc", "passpasspasspass",
     "PasswordPassword", "correct horse battery staple", "welcome welcome", "Administrator123"],
)  # fmt: skip
def test_what_is_tried_first_is_refused(password):
    """NIST SP 800-63B (2017), section 5.1.1.2: common, repetitive and sequential ones."""
    assert "tried first" in why_refused(password)


@pytest.mark.parametrize(
    "password",
    ["rui.prata 12345678", "Rui Prata 2026!!!", "rui-prata-rui-prata", "RuiPrataRuiPrata",
     "basinward basinward", "basinward1234567"],
)  # fmt: skip
def test_the_accounts_own_name_is_no_password(password):
    assert "own name" in why_refused(password, "rui.prata", "Rui Prata", "basinward")


@pytest.mark.parametrize(
    "password",
    [GOOD, "my cat rui sleeps on basins", "              ok then       ", "пароль из пяти слов",
     "🐈🐈 and 🐕 went for a walk", "kq7zu2pw9xv4mtb"],
)  # fmt: skip
def test_no_composition_is_asked_for_and_any_character_is_taken(password):
    assert why_refused(password, "rui.prata", "Rui Prata", "basinward") == ""


@pytest.mark.parametrize(
    "password", ["fifteen and\nmore", "\0 fifteen and more", "\ud800 fifteen and m"]
)
def test_what_no_keyboard_writes_is_refused(password):
    assert "no keyboard writes" in why_refused(password)
    with pytest.raises(PasswordRefused, match="no keyboard writes"):
        FAST.chosen(password)


def test_one_letter_written_in_two_ways_is_one_letter():
    """Unicode Standard Annex 15, as the edition of 2017 has it in section 5.1.1.2."""
    password = "fünf blaue Lampen, Grüße"
    decomposed = unicodedata.normalize("NFD", password)
    assert decomposed != password
    assert FAST.matches(FAST.hashed(password), decomposed)


@settings(max_examples=60)
@given(st.text(max_size=300), st.text(max_size=300))
def test_whatever_is_typed_is_right_or_wrong_and_no_more(chosen, typed):
    written = FAST.hashed(chosen)
    same = unicodedata.normalize("NFKC", chosen) == unicodedata.normalize("NFKC", typed)
    if len(chosen) <= LONGEST:
        assert FAST.matches(written, chosen)
    if len(typed) <= LONGEST:
        assert FAST.matches(written, typed) is same
    for name in (chosen, typed):
        assert isinstance(why_refused(typed, name), str)


def test_of_nobody_as_much_is_calculated_and_nothing_matches(monkeypatch):
    """By what is called, not by the clock: one verification of a hash with the same parameters."""
    asked: list[str] = []
    verify = argon2.PasswordHasher.verify

    def noting(self, written, password):
        asked.append(written)
        return verify(self, written, password)

    monkeypatch.setattr(argon2.PasswordHasher, "verify", noting)
    mine = FAST.hashed(GOOD)
    assert FAST.matches(mine, GOOD)
    assert not FAST.matches(mine, "wrong")
    assert not FAST.matches("", "wrong")
    assert not FAST.matches("", "nobody's, so nothing that is typed matches it")
    assert len(asked) == 4
    assert len({str(argon2.extract_parameters(a)) for a in asked}) == 1


def test_a_damaged_hash_matches_nothing():
    for written in ("x", "$argon2id$", "$argon2id$v=19$m=8,t=1,p=1$AAAA$", FAST.hashed(GOOD)[:-9]):
        assert not FAST.matches(written, GOOD)


def test_older_parameters_are_noticed():
    assert Passwords(passes=2, memory_kib=8, lanes=1).is_outdated(FAST.hashed(GOOD))
    assert not FAST.is_outdated(FAST.hashed(GOOD))


def test_no_more_are_calculated_at_once_than_memory_is_meant_for(monkeypatch):
    passwords = Passwords(passes=1, memory_kib=8, lanes=1, at_once=2)
    lock, entered, release = threading.Lock(), threading.Semaphore(0), threading.Event()
    at_once: list[int] = [0, 0]

    def held(self, password):
        with lock:
            at_once[0] += 1
            at_once[1] = max(at_once)
        entered.release()
        assert release.wait(120)
        with lock:
            at_once[0] -= 1
        return "x"

    monkeypatch.setattr(argon2.PasswordHasher, "hash", held)
    threads = [threading.Thread(target=passwords.hashed, args=("p",)) for _ in range(6)]
    for thread in threads:
        thread.start()
    for _ in range(2):
        assert entered.acquire(timeout=120)
    assert not entered.acquire(timeout=0.2)
    release.set()
    for thread in threads:
        thread.join()
    assert at_once[1] == 2
    assert not passwords.is_busy
