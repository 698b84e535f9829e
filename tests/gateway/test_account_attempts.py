"""How often one may try to sign in: guessing is slow, and strangers keep no owner out."""

from __future__ import annotations

import threading

from hypothesis import given
from hypothesis import strategies as st

from gateway.accounts.attempts import SignInLimit

HOME, OFFICE = "192.0.2.7", "198.51.100.0"


def fail(limit: SignInLimit, times: int, name="rui", network=HOME, mark="", now_s=0.0) -> int:
    """Try so often with a wrong password; how many were let in."""
    return sum(limit.admit(name, network, mark, now_s).wait_s == 0 for _ in range(times))


def test_ten_failures_from_one_place_are_allowed_then_one_waits_for_the_windows_end():
    limit = SignInLimit()
    assert [limit.admit("rui", HOME, "", 5.0).is_last for _ in range(10)] == [False] * 9 + [True]
    assert limit.admit("rui", HOME, "", 305.0) == (600.0, False)
    assert limit.admit("rui", HOME, "", 904.0).wait_s == 1.0
    assert limit.admit("rui", HOME, "", 905.0).wait_s == 0
    assert limit.admit("eva", HOME, "", 305.0).wait_s == 0
    assert limit.admit("rui", OFFICE, "", 305.0).wait_s == 0


def test_waiting_is_not_made_longer_by_those_who_do_not_wait():
    limit = SignInLimit()
    fail(limit, 10)
    assert fail(limit, 1000, now_s=450.0) == 0
    assert limit.admit("rui", HOME, "", 900.0).wait_s == 0


def test_one_password_on_many_names_from_one_place_is_slow():
    limit = SignInLimit()
    assert sum(fail(limit, 1, name=f"name-{i}") for i in range(200)) == 50


def test_guessing_from_many_places_ends_at_a_hundred_failures():
    """NIST SP 800-63B-4, section 3.2.2: no more than 100 consecutive failures of one account."""
    limit = SignInLimit()
    assert sum(fail(limit, 1, network=f"203.0.113.{i}") for i in range(250)) == 100
    assert limit.admit("rui", OFFICE, "", 1800.0).wait_s == 1800.0
    assert limit.admit("rui", OFFICE, "", 3600.0).wait_s == 0


def test_strangers_do_not_keep_the_owner_out_of_a_browser_he_has_used_before():
    limit = SignInLimit()
    for i in range(250):
        fail(limit, 1, network=f"203.0.113.{i}")
    fail(limit, 60, network=OFFICE, name="eva")
    assert limit.admit("rui", OFFICE, "", 10.0).wait_s > 0
    assert limit.admit("rui", OFFICE, "mark-1", 10.0).wait_s == 0


def test_a_browser_that_was_used_before_is_counted_by_itself():
    """Whoever has taken such a browser has ten tries, as anybody else."""
    limit = SignInLimit()
    assert fail(limit, 20, mark="mark-1") == 10
    assert fail(limit, 20, mark="mark-1", network=OFFICE) == 0
    assert fail(limit, 1, mark="mark-2") == 1


def test_success_forgets_what_failed_for_the_account_but_not_for_the_network():
    """Or whoever has one account could try all others, signing in to his own between."""
    limit = SignInLimit()
    admitted = 0
    for i in range(100):
        admitted += fail(limit, 1, name=f"name-{i}")
        if limit.admit("mallory", HOME, "", 0.0).wait_s == 0:
            limit.succeeded("mallory", HOME, "")
    assert admitted <= 50
    other = SignInLimit()
    fail(other, 9)
    assert other.admit("rui", HOME, "", 0.0).wait_s == 0
    other.succeeded("rui", HOME, "")
    assert fail(other, 20) == 10


def test_many_at_once_are_no_more_than_many_in_a_row():
    limit = SignInLimit()
    gate, let_in = threading.Barrier(16), []

    def attempt() -> None:
        gate.wait()
        let_in.extend(limit.admit("rui", HOME, "", 0.0).wait_s == 0 for _ in range(5))

    threads = [threading.Thread(target=attempt) for _ in range(16)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum(let_in) == 10


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["rui", "eva"]), st.sampled_from([HOME, OFFICE]),
            st.sampled_from(["", "m"]), st.floats(0, 400), st.booleans(),
        ),
        max_size=150,
    )
)  # fmt: skip
def test_in_no_window_are_more_failures_let_in_than_are_allowed(steps):
    """Counted here by hand, over fixed windows that begin with the first failure."""
    limit, now_s = SignInLimit(each=3, network=5, account=7), 0.0
    windows: dict[tuple[str, str], tuple[float, int]] = {}
    for name, network, mark, later_s, right in steps:
        now_s += later_s
        admission = limit.admit(name, network, mark, now_s)
        assert 0 <= admission.wait_s <= 3600
        if admission.wait_s:
            continue
        if right:
            limit.succeeded(name, network, mark)
            windows.pop((name, mark or network), None)
            continue
        key = (name, mark or network)
        begun_s, count = windows.get(key, (now_s, 0))
        if now_s - begun_s >= 900:
            begun_s, count = now_s, 0
        windows[key] = (begun_s, count + 1)
        assert count + 1 <= 3
