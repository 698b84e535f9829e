"""Accounts, sessions, tokens and the audit trail, on every kind of database."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
from sqlalchemy import text
from sqlalchemy.engine import URL
from sqlalchemy.exc import DatabaseError
from support.records import HOUR_MS, NOW_MS

from gateway.accounts.actors import Actor, How
from gateway.accounts.keys import is_token, kept, new_key, new_token
from gateway.records import Records, RecordsError, RecordsUnavailable
from gateway.records.accounts import Account
from rules.events import ActionKind

ROOT = Actor("root", "root (sudo by eva)", How.COMMAND)
RUI = Actor("rui", "Rui Prata", How.SESSION, "192.0.2.7")


@pytest.fixture
def records(records_url: URL) -> Iterator[Records]:
    records = Records(records_url)
    records.sync_units({("quay-cold-store", "ac-1"): 0})
    yield records
    records.close()


def rui(records: Records, password_hash: str = "hash-1") -> Account:
    if records.accounts.get("rui") is None:
        records.accounts.add("rui", "Rui Prata", password_hash, ["operate", "view"], ROOT, NOW_MS)
    account = records.accounts.get("rui")
    assert account is not None
    return account


def begin(records: Records, key: str, now_ms: int = NOW_MS, account: Account | None = None, **more):
    return records.accounts.begin_session(
        account or rui(records), kept(key), RUI, now_ms, browser="A browser",
        idle_ms=HOUR_MS, longest_ms=24 * HOUR_MS, **more,
    )  # fmt: skip


def acts(records: Records) -> list[str]:
    return [entry.action for entry in reversed(records.audit.entries())]


def test_an_account_is_kept_as_it_was_added_and_the_trail_says_by_whom(records):
    account = rui(records)
    assert (account.name, account.shown_name) == ("rui", "Rui Prata")
    assert account.roles == {"view", "operate"}
    assert (account.disabled, account.created_ms, account.password_hash) == (
        False,
        NOW_MS,
        "hash-1",
    )
    assert "hash-1" not in repr(account)
    (entry,) = records.audit.entries()
    assert (entry.action, entry.subject, entry.time_ms) == ("account added", "rui", NOW_MS)
    assert entry.actor == ROOT
    assert entry.before is None
    assert entry.after == {"shown_name": "Rui Prata", "roles": "operate view", "password": True}


@pytest.mark.parametrize(
    ("name", "shown"), [("rui", "Somebody else"), ("other", "rui prata"), ("other", "ＲＵＩ Prata")]
)
def test_a_name_that_is_taken_is_refused_and_named(records, name, shown):
    rui(records)
    with pytest.raises(RecordsError, match="account 'rui' for Rui Prata already"):
        records.accounts.add(name, shown, "x", ["view"], ROOT, NOW_MS)
    assert [account.name for account, _, _ in records.accounts.all()] == ["rui"]
    assert acts(records) == ["account added"]


def test_accounts_are_listed_by_name_with_their_visits(records):
    begin(records, "k1")
    begin(records, "k2", NOW_MS + 5)
    for name in ("Zoe", "eva.b", "eva"):
        records.accounts.add(name.lower(), name, "", ["administer"], ROOT, NOW_MS)
    listed = [(a.name, sessions, seen) for a, sessions, seen in records.accounts.all()]
    assert listed == [
        ("eva", 0, None), ("eva.b", 0, None), ("rui", 2, NOW_MS + 5), ("zoe", 0, None)
    ]  # fmt: skip


def test_a_session_is_found_by_its_key_and_in_no_other_way(records):
    assert begin(records, "k1")
    session = records.accounts.session(kept("k1"))
    assert session is not None
    assert (session.account.name, session.begun_ms, session.seen_ms) == ("rui", NOW_MS, NOW_MS)
    assert (session.address, session.browser) == ("192.0.2.7", "A browser")
    assert kept("k1") not in repr(session)
    for key in ("k1", "", kept("k2"), kept("k1").upper()):
        assert records.accounts.session(key) is None
    assert acts(records)[-1] == "signed in"


def test_a_use_is_noted_and_time_does_not_run_back(records):
    begin(records, "k1")
    records.accounts.touch_session(kept("k1"), NOW_MS + 7)
    records.accounts.touch_session(kept("k1"), NOW_MS + 3)
    session = records.accounts.session(kept("k1"))
    assert session is not None
    assert session.seen_ms == NOW_MS + 7


def test_signing_in_ends_the_session_it_replaces_and_clears_what_is_over(records):
    begin(records, "old")
    begin(records, "other", NOW_MS + 1)
    begin(records, "new", NOW_MS + 2, replaces=kept("old"))
    assert records.accounts.session(kept("old")) is None
    assert {s.key_hash for s in records.accounts.sessions(rui(records))} == {
        kept("other"),
        kept("new"),
    }
    records.accounts.touch_session(kept("new"), NOW_MS + HOUR_MS)
    begin(records, "later", NOW_MS + HOUR_MS + 2)
    assert {s.key_hash for s in records.accounts.sessions(rui(records))} == {
        kept("new"),
        kept("later"),
    }
    for hour in range(2, 24):
        records.accounts.touch_session(kept("new"), NOW_MS + hour * HOUR_MS)
    begin(records, "last", NOW_MS + 24 * HOUR_MS + 2)
    assert [s.key_hash for s in records.accounts.sessions(rui(records))] == [kept("last")]


@pytest.mark.parametrize("change", ["password", "disabled"])
def test_no_session_begins_on_what_changed_while_the_password_was_checked(records, change):
    checked = rui(records)
    if change == "password":
        records.accounts.set_password("rui", "hash-2", ROOT, NOW_MS)
    else:
        records.accounts.set_disabled("rui", True, ROOT, NOW_MS)
    assert not begin(records, "k1", account=checked)
    assert records.accounts.sessions(checked) == []
    assert "signed in" not in acts(records)


@pytest.mark.parametrize("change", ["password", "roles", "disabled", "enabled", "everywhere"])
def test_sessions_end_with_what_they_rested_on(records, change):
    for key in ("k1", "k2"):
        begin(records, key)
    records.accounts.add("eva", "Eva", "h", ["view"], ROOT, NOW_MS)
    eva = records.accounts.get("eva")
    assert begin(records, "hers", account=eva)
    store = records.accounts
    {
        "password": lambda: store.set_password("rui", "hash-2", ROOT, NOW_MS),
        "roles": lambda: store.set_roles("rui", ["view"], ROOT, NOW_MS),
        "disabled": lambda: store.set_disabled("rui", True, ROOT, NOW_MS),
        "enabled": lambda: store.set_disabled("rui", False, ROOT, NOW_MS),
        "everywhere": lambda: store.end_sessions("rui", ROOT, NOW_MS),
    }[change]()
    assert store.session(kept("k1")) is None
    assert store.session(kept("k2")) is None
    assert store.session(kept("hers")) is not None


def test_who_changes_his_own_password_stays_where_he_is(records):
    for key in ("here", "there"):
        begin(records, key)
    records.accounts.set_password("rui", "hash-2", RUI, NOW_MS + 9, keep=kept("here"))
    assert [s.key_hash for s in records.accounts.sessions(rui(records))] == [kept("here")]
    assert (rui(records).password_hash, rui(records).password_ms) == ("hash-2", NOW_MS + 9)
    entry = records.audit.entries(limit=1)[0]
    assert (entry.before, entry.after) == ({"password_ms": NOW_MS}, {"password_ms": NOW_MS + 9})


def test_signing_out_ends_one_session(records):
    for key in ("k1", "k2"):
        begin(records, key)
    session = records.accounts.session(kept("k1"))
    records.accounts.end_session(session, RUI, NOW_MS)
    assert records.accounts.session(kept("k1")) is None
    assert records.accounts.session(kept("k2")) is not None
    assert acts(records)[-1] == "signed out"


def test_a_hash_is_renewed_unless_the_password_was_changed_meanwhile(records):
    before = rui(records)
    records.accounts.renew_hash(before, "hash-1b")
    assert rui(records).password_hash == "hash-1b"
    records.accounts.renew_hash(before, "hash-1c")
    assert rui(records).password_hash == "hash-1b"


@pytest.mark.parametrize("method", ["set_roles", "set_disabled", "set_password", "end_sessions"])
def test_an_account_that_does_not_exist_is_named(records, method):
    arguments = {"set_roles": [["view"]], "set_disabled": [True], "set_password": ["x"]}
    with pytest.raises(RecordsError, match=r"no account 'nobody'\. Nothing was changed"):
        getattr(records.accounts, method)("nobody", *arguments.get(method, []), ROOT, NOW_MS)
    assert acts(records) == []


def test_a_token_is_found_by_its_key_until_it_is_revoked(records):
    rui(records)
    made = new_token()
    number = records.accounts.add_token(
        "rui", "figures", kept(made), ["view"], NOW_MS + HOUR_MS, ROOT, NOW_MS
    )
    token = records.accounts.token(kept(made))
    assert token is not None
    assert (token.id, token.account.name, token.purpose, token.roles) == (
        number, "rui", "figures", {"view"},
    )  # fmt: skip
    assert (token.expires_ms, token.used_ms, token.revoked_ms) == (NOW_MS + HOUR_MS, None, None)
    records.accounts.touch_token(token, NOW_MS + 1)
    records.accounts.revoke_token(number, ROOT, NOW_MS + 2)
    records.accounts.revoke_token(number, ROOT, NOW_MS + 3)
    (token,) = records.accounts.tokens()
    assert (token.used_ms, token.revoked_ms) == (NOW_MS + 1, NOW_MS + 2)
    assert acts(records) == ["account added", "token added", "token revoked"]
    with pytest.raises(RecordsError, match="no token 99"):
        records.accounts.revoke_token(99, ROOT, NOW_MS)


def test_secrets_are_long_unlike_each_other_and_do_not_show_themselves():
    """256 bits: 43 letters of 6 bits each (RFC 4648, section 5)."""
    keys, tokens = {new_key() for _ in range(50)}, {new_token() for _ in range(50)}
    assert len(keys) == len(tokens) == 50
    assert all(len(key) == 43 for key in keys)
    assert all(is_token(token) for token in tokens)
    assert not any(is_token(key) for key in keys)
    assert "basinward_" not in repr(next(iter(tokens)))
    # FIPS 180-4: SHA-256 of "abc", from the standard's own example.
    assert kept("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


# ---------------------------------------------------------------- the audit trail


def test_an_act_and_its_entry_are_written_together(records):
    with records.audit.acting(RUI, NOW_MS) as act:
        records.request_action(
            ActionKind.OUT_OF_SERVICE, "quay-cold-store", "ac-1", by="Rui Prata", note="Pads",
            now_ms=NOW_MS,
        )  # fmt: skip
        assert len(records.pending_actions()) == 1, "what was written is seen within the act"
        act.note(
            "out of service", "quay-cold-store/ac-1", before={"state": "in service"},
            after={"state": "asked", "note": "Pads \u0000\ud800"},
        )  # fmt: skip
    (entry,) = records.audit.entries()
    assert (entry.actor, entry.time_ms) == (RUI, NOW_MS)
    assert entry.before == {"state": "in service"}
    assert entry.after is not None
    assert entry.after["state"] == "asked"
    assert len(records.pending_actions()) == 1


def test_an_act_that_fails_leaves_neither_itself_nor_an_entry(records):
    def fail() -> None:
        with records.audit.acting(RUI, NOW_MS) as act:
            records.accounts.add("eva", "Eva", "h", ["view"], ROOT, NOW_MS)
            act.note("made up", "eva")
            records.accounts.set_roles("nobody", [], ROOT, NOW_MS)

    with pytest.raises(RecordsError, match="no account 'nobody'"):
        fail()
    assert records.accounts.get("eva") is None
    assert records.audit.entries() == []
    rui(records)  # the next transaction is one of its own
    assert acts(records) == ["account added"]


def test_who_goes_on_after_a_part_has_failed_writes_nothing(records):
    def go_on() -> None:
        with records.audit.acting(RUI, NOW_MS) as act:
            records.accounts.add("eva", "Eva", "h", ["view"], ROOT, NOW_MS)
            with pytest.raises(RecordsError):
                records.accounts.set_roles("nobody", [], ROOT, NOW_MS)
            act.note("made up", "eva")

    with pytest.raises(RecordsError, match="A part of what was to be done together failed"):
        go_on()
    assert records.accounts.get("eva") is None


def test_another_threads_work_is_not_a_part_of_the_act(records):
    seen: list[object] = []
    with records.audit.acting(RUI, NOW_MS):
        records.accounts.add("eva", "Eva", "h", ["view"], ROOT, NOW_MS)
        thread = threading.Thread(target=lambda: seen.append(records.accounts.get("eva")))
        thread.start()
        thread.join()
    assert seen == [None]
    assert records.accounts.get("eva") is not None


@pytest.mark.parametrize(
    "statement", ["UPDATE audit_trail SET action = 'x'", "DELETE FROM audit_trail"]
)
def test_the_database_itself_refuses_to_change_what_stands_in_the_trail(records, statement):
    rui(records)
    before = records.audit.entries()
    with (
        pytest.raises(DatabaseError, match="only added to"),
        records._database.engine.begin() as connection,
    ):
        connection.execute(text(statement))
    assert records.audit.entries() == before


def test_entries_are_found_by_who_what_and_when_page_by_page(records):
    with records.audit.acting(RUI, NOW_MS) as act:
        for i in range(5):
            act.note("ticket closed", f"BW-{i:06d}")
    with records.audit.acting(ROOT, NOW_MS + 10) as act:
        act.note("ticket closed", "BW-000003")
    ask = records.audit.entries
    assert [e.subject for e in ask(account="rui", limit=2)] == ["BW-000004", "BW-000003"]
    last = ask(account="rui", limit=2)[-1]
    assert [e.subject for e in ask(before_id=last.id)] == ["BW-000002", "BW-000001", "BW-000000"]
    assert [e.actor.account for e in ask(subject="BW-000003")] == ["root", "rui"]
    assert [e.actor.account for e in ask(since_ms=NOW_MS + 1)] == ["root"]


def test_a_last_use_waits_for_nobody_who_writes(records_url: URL) -> None:
    records = Records(records_url, busy_timeout_ms=3_600_000)
    records.accounts.add("rui", "Rui", "", ["view"], ROOT, NOW_MS)
    records.accounts.add_token("rui", "p", kept("k"), ["view"], NOW_MS + HOUR_MS, ROOT, NOW_MS)
    token = records.accounts.token(kept("k"))
    assert token is not None
    ended = threading.Event()

    def use() -> None:
        with pytest.raises(RecordsUnavailable):
            records.accounts.touch_token(token, NOW_MS + 1)
        ended.set()

    with records._database.write():
        thread = threading.Thread(target=use)
        thread.start()
        assert ended.wait(60), "it waits for as long as another writes"
    thread.join(60)
    records.accounts.touch_token(token, NOW_MS + 2)
    found = records.accounts.token(kept("k"))
    assert found is not None
    assert found.used_ms == NOW_MS + 2
    records.close()
