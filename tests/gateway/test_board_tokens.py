"""Tokens for programs: what they open, when they end; and no secret of any kind in the log."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from typing import Annotated

import pytest
from board_people import PASSWORD, ROOT, People
from fastapi import APIRouter, Response
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.accounts.keys import kept, new_token
from gateway.board.doors import needs
from gateway.board.visitor import Role, Visitor

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
    assert 'error="invalid_token"' in refused.headers["www-authenticate"], "RFC 6750, section 3.1"
    assert refused.headers["content-type"] == "application/problem+json"


def test_a_token_opens_no_page_for_people_and_a_bad_one_is_nobody(programs):
    made = token(programs, "view")
    assert ask(programs, f"Bearer {made}", "/hall").status_code == 401
    browser = programs.browser()
    browser.sign_in()
    assert browser.get("/api/hall").text == "Rui Prata session operate view"
    bad = browser.get("/api/hall", Authorization="Bearer x")
    assert bad.status_code == 401, "not the browser's own visit instead"


@settings(
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=80))
def test_whatever_else_is_shown_lets_nobody_in(programs, shown):
    assert ask(programs, shown).status_code == 401
    assert ask(programs, f"Bearer {shown}").status_code == 401
    assert ask(programs, f"Bearer basinward_{shown}").status_code == 401


def test_one_sees_and_revokes_ones_own_tokens_and_no_others(programs):
    made = token(programs, "view")
    programs.records.accounts.add("eva", "Eva Dias", "", ["view"], ROOT, 0)
    others = new_token()
    programs.records.accounts.add_token(
        "eva", "hers", kept(others), ["view"], programs.now_ms + 86_400_000, ROOT, 0
    )
    browser = programs.browser()
    browser.sign_in()
    page = browser.get("/account").text
    assert "figures" in page
    assert "hers" not in page
    seal = browser.seal()
    refused = browser.send("/account/tokens", {"form_token": seal, "token": "2"})
    assert refused.status_code == 409
    assert browser.send("/account/tokens", {"form_token": seal, "token": "x"}).status_code == 409
    assert browser.send("/account/tokens", {"token": "1"}).status_code == 403
    assert ask(programs, f"Bearer {made}").status_code == 200
    done = browser.send("/account/tokens", {"form_token": seal, "token": "1"})
    assert "Token 1 does not hold any more." in done.text
    assert ask(programs, f"Bearer {made}").status_code == 401
    assert ask(programs, f"Bearer {others}").status_code == 200
    entry = programs.records.audit.entries()[0]
    assert (entry.action, entry.actor.account) == ("token revoked", "rui")


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
