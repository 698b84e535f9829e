"""``basinward accounts``: a password comes from a prompt, a file or a variable, and no argument."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import Result
from support.records import NOW_MS, open_records
from typer.testing import CliRunner

from gateway.accounts.actors import Actor, How
from gateway.accounts.keys import is_token, kept
from gateway.accounts.passwords import Passwords
from gateway.cli.app import app
from gateway.records import Records

RUNNER = CliRunner()
PASSWORD = "pump under five blue lamps"


@pytest.fixture
def records(tmp_path) -> Iterator[Records]:
    records = open_records(tmp_path)
    yield records
    records.close()


def run(data: Path, *arguments: str, typed: str | None = None, **environ: str) -> Result:
    return RUNNER.invoke(
        app, ["accounts", "--data", str(data), *arguments], input=typed, env=environ
    )


def done(data: Path, *arguments: str, **more: str) -> str:
    result = run(data, *arguments, **more)
    assert result.exit_code == 0, result.output
    return result.output


def refused(data: Path, *arguments: str, **more: str) -> str:
    result = run(data, *arguments, **more)
    assert result.exit_code == 1, result.output
    assert "Traceback" not in result.output
    return " ".join(result.output.split())


def add(data: Path, name: str = "rui", *more: str) -> str:
    return done(
        data, "add", name, "--shown-name", "Rui Prata", "--role", "view", "--role", "operate",
        *more, typed=f"{PASSWORD}\n{PASSWORD}\n",
    )  # fmt: skip


def test_the_first_account_is_made_with_a_password_typed_twice(records, tmp_path):
    assert "There is no account yet" in done(tmp_path)
    said = add(tmp_path, "RUI")
    assert "rui (Rui Prata) may now operate, view" in said
    assert PASSWORD not in said
    account = records.accounts.get("rui")
    assert account is not None
    assert Passwords().matches(account.password_hash, PASSWORD)
    (entry,) = records.audit.entries()
    assert (entry.action, entry.actor.how, entry.actor.address) == (
        "account added", How.COMMAND, ""
    )  # fmt: skip
    assert entry.actor.account


@pytest.mark.parametrize("way", ["file", "variable"])
def test_a_password_comes_from_a_file_or_a_variable(records, tmp_path, way):
    if way == "file":
        (tmp_path / "pw").write_text(f"{PASSWORD}\n", encoding="utf-8")
        done(
            tmp_path, "add", "eva", "--role", "administer", "--password-file", str(tmp_path / "pw")
        )
    else:
        done(tmp_path, "add", "eva", "--role", "administer", "--password-env", "PW", PW=PASSWORD)
    account = records.accounts.get("eva")
    assert Passwords().matches(account.password_hash, PASSWORD)


def test_no_option_takes_the_password_itself(records, tmp_path):
    for option in ("--password", "-p"):
        result = run(tmp_path, "add", "eva", "--role", "view", option, PASSWORD)
        assert result.exit_code == 2
    assert records.accounts.all() == []


@pytest.mark.parametrize(
    ("arguments", "typed", "words"),
    [
        (["add", "eva", "--role", "view"], "short\nshort\n", "It has 5 characters; at least 15"),
        (["add", "eva", "--role", "view"], "eva 1234 eva 5678\n" * 2, "own name"),
        (["add", "eva"], "", "Say what the account may do"),
        (["add", "e", "--role", "view"], "", "2 to 64 characters"),
        (["add", "eva", "--role", "view", "--shown-name", "E\u202eva"], "", "can be seen"),
        (["add", "rui", "--role", "view"], "", "account 'rui' already"),
        (["add", "eva", "--role", "view", "--password-env", "NONE"], "", "NONE is not set"),
        (["add", "eva", "--role", "view", "--password-file", "/no/such"], "", "/no/such cannot be"),
        (["password", "nobody"], "", "no account 'nobody'"),
        (["roles", "nobody", "--role", "view"], "", "no account 'nobody'"),
        (["disable", "nobody"], "", "no account 'nobody'"),
        (["token", "nobody", "--purpose", "x"], "", "no account 'nobody'"),
        (["token", "rui", "--purpose", " "], "", "Say what the token is for"),
        (["token", "rui", "--purpose", "x", "--role", "all"], "", "no role 'all'"),
        (["token-revoke", "9"], "", "no token 9"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_with_a_sentence_and_changes_nothing(
    records, tmp_path, arguments, typed, words
):
    add(tmp_path)
    before = (records.accounts.all(), records.audit.entries())
    assert words in refused(tmp_path, *arguments, typed=typed)
    assert (records.accounts.all(), records.audit.entries()) == before


def test_two_passwords_that_differ_are_asked_for_again(records, tmp_path):
    wrong = f"{PASSWORD}\nanother one altogether\n"
    done(tmp_path, "add", "eva", "--role", "view", typed=wrong + f"{PASSWORD}\n" * 2)
    assert records.accounts.get("eva") is not None


def test_an_account_is_changed_step_by_step_and_all_of_it_is_told(records, tmp_path):
    add(tmp_path)
    account = records.accounts.get("rui")
    here = Actor("rui", "Rui Prata", How.SESSION, "192.0.2.7")
    records.accounts.begin_session(
        account, kept("k"), here, NOW_MS, browser="", idle_ms=1, longest_ms=1
    )
    assert "1 visits have ended" in done(tmp_path, "sign-out", "rui")
    assert "may now plan" in done(tmp_path, "roles", "RUI", "--role", "plan")
    assert "Without the role view" in done(tmp_path, "roles", "rui", "--role", "operate")
    done(tmp_path, "disable", "rui")
    assert "disabled" in done(tmp_path)
    done(tmp_path, "enable", "rui")
    new = "seven green valves in rain"
    assert "another password" in done(tmp_path, "password", "rui", typed=f"{new}\n{new}\n")
    assert Passwords().matches(records.accounts.get("rui").password_hash, new)
    done(tmp_path, "password", "rui", "--no-password")
    listed = json.loads(done(tmp_path, "--json"))
    assert [(a["name"], a["roles"], a["has_password"], a["disabled"]) for a in listed] == [
        ("rui", ["operate"], False, False)
    ]
    told = json.loads(done(tmp_path, "audit", "--json"))
    assert [entry["action"] for entry in told] == [
        "password taken", "password set", "account enabled", "account disabled", "roles set",
        "roles set", "signed out everywhere", "signed in", "account added",
    ]  # fmt: skip
    assert told[4]["before"] == {"roles": "plan"}
    assert told[4]["after"] == {"roles": "operate"}
    his = json.loads(done(tmp_path, "audit", "--account", "rui", "--json"))
    assert [entry["action"] for entry in his] == ["signed in"]
    shown = done(tmp_path, "audit", "--limit", "2")
    assert "password taken" in shown
    assert "The list ends at 2 entries" in shown
    everything = done(tmp_path, "audit") + done(tmp_path)
    assert not [s for s in (PASSWORD, new, "argon2") if s in everything]


def test_a_token_is_shown_once_and_kept_as_a_hash(records, tmp_path):
    add(tmp_path)
    result = run(tmp_path, "token", "rui", "--purpose", "figures", "--days", "30")
    assert result.exit_code == 0
    made = result.stdout.strip()
    assert is_token(made)
    assert "never again" in result.stderr
    token = records.accounts.token(kept(made))
    assert token is not None
    assert (token.roles, token.expires_ms - token.created_ms) == ({"view"}, 30 * 86_400_000)
    for shown in (
        done(tmp_path, "tokens"),
        done(tmp_path, "tokens", "--json"),
        done(tmp_path, "audit"),
    ):
        assert "figures" in shown
        assert made not in shown
        assert kept(made) not in shown
    assert made.encode() not in b"".join(p.read_bytes() for p in tmp_path.glob("records.sqlite*"))
    done(tmp_path, "token-revoke", str(token.id))
    assert json.loads(done(tmp_path, "tokens", "--json"))[0]["state"] == "revoked"


def test_what_others_wrote_does_not_steer_the_terminal(records, tmp_path):
    with records.audit.acting(Actor("x\x1b[2J", "y\x1b[2J", How.SESSION, "z\x1b"), NOW_MS) as act:
        act.note("noted", "\x1b]0;title\x07", after={"note": "\x1b[31m"})
    assert "\x1b" not in done(tmp_path, "audit")
