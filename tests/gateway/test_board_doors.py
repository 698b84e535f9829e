"""Who passes a door of the board: roles, the way to the sign-in page and back, forms' seals."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Annotated
from urllib.parse import parse_qs, urljoin, urlsplit

import pytest
from board_bench import Bench
from fastapi import APIRouter, Request, Response
from hypothesis import given
from hypothesis import strategies as st
from starlette.testclient import TestClient

from gateway.board.app import Board, make_app
from gateway.board.doors import LetsIn, needs, safe_return
from gateway.board.forms import Form, FormFields
from gateway.board.paper import Paper
from gateway.board.visitor import Role, Visitor

EVA = Visitor("Eva", frozenset({Role.VIEW, Role.OPERATE}), form_token="t0ken")
HTML = {"Accept": "text/html,*/*;q=0.8"}
acts: list[tuple[str, list[str]]] = []


def room(board: Board, paper: Paper) -> APIRouter:
    """A page that all who view may see, and an act of those who operate."""
    router = APIRouter(dependencies=[needs(Role.VIEW)])

    @router.get("/hall/{name}")
    def look(name: str, visitor: Annotated[Visitor, needs(Role.VIEW)]) -> Response:
        return Response(f"{name} for {visitor.name}")

    @router.post("/hall/{name}")
    async def act(form: FormFields, visitor: Annotated[Visitor, needs(Role.OPERATE)]) -> Response:
        acts.append((visitor.name, form.all("unit")))
        return Response("done")

    @router.get("/plan", dependencies=[needs(Role.PLAN)])
    def plan(request: Request) -> Response:
        return Response("plan")

    return router


@pytest.fixture
def bench(tmp_path) -> Iterator[Bench]:
    acts.clear()
    bench = Bench(tmp_path)
    yield bench
    bench.records.close()


def client(bench: Bench, visitor: Visitor | None = None) -> TestClient:
    board = replace(bench.board, doorkeeper=LetsIn(visitor)) if visitor else bench.board
    return TestClient(
        make_app(board, [room]), base_url="https://board.example", follow_redirects=False
    )


def test_who_is_not_known_is_led_to_the_sign_in_page_and_back(bench):
    response = client(bench).get("/hall/a%20b?hours=24&x=/y", headers=HTML)
    assert response.status_code == 303
    target = urlsplit(
        urljoin("https://proxy.example/some/path/hall/a b", response.headers["location"])
    )
    assert target.path == "/some/path/sign-in"
    assert parse_qs(target.query) == {"to": ["hall/a%20b?hours=24&x=/y"]}


@pytest.mark.parametrize(
    ("method", "path", "accept"),
    [("GET", "/hall/a", "application/json"), ("GET", "/hall/a", "text/event-stream"),
     ("POST", "/hall/a", "text/html"), ("GET", "/plan", "")],
)  # fmt: skip
def test_what_no_page_opens_is_answered_by_401(bench, method, path, accept):
    """RFC 9110, section 15.5.2: with the header that says how to come."""
    response = client(bench).request(
        method, path, headers={"Accept": accept}, data={"unit": "1"} if method == "POST" else None
    )
    assert response.status_code == 401
    assert response.headers["www-authenticate"] == 'Bearer realm="basinward"'
    assert acts == []


def test_a_role_opens_its_doors_and_no_others(bench):
    eva = client(bench, EVA)
    assert eva.get("/hall/a").text == "a for Eva"
    refused = eva.get("/plan")
    assert refused.status_code == 403
    assert "role 'plan', which Eva does not have" in refused.text.replace("&#39;", "'")
    assert (
        client(bench, replace(EVA, roles=frozenset({Role.ADMINISTER}))).get("/plan").text == "plan"
    )
    assert (
        client(bench, replace(EVA, roles=frozenset({Role.OPERATE}))).get("/hall/a").status_code
        == 403
    )


def test_a_form_with_the_visits_seal_acts_and_its_fields_come_whole(bench):
    form = {"unit": ["1", "2", ""], "form_token": "t0ken"}
    assert client(bench, EVA).post("/hall/a", data=form).text == "done"
    assert acts == [("Eva", ["1", "2", ""])]


@pytest.mark.parametrize("token", [None, "", "T0ken", "t0ken ", "é"])
def test_a_form_without_the_visits_seal_does_nothing(bench, token):
    form = {"unit": "1"} | ({} if token is None else {"form_token": token})
    response = client(bench, EVA).post("/hall/a", data=form)
    assert response.status_code == 403
    assert "Nothing was changed" in response.text
    assert acts == []


def test_a_script_of_ours_shows_the_seal_in_a_header(bench):
    eva = client(bench, EVA)
    done = eva.post("/hall/a", data={"unit": "1"}, headers={"X-Form-Token": "t0ken"})
    assert done.text == "done"
    wrong = {"unit": "1", "form_token": "t0ken"}
    assert eva.post("/hall/a", data=wrong, headers={"X-Form-Token": "no"}).status_code == 403


@pytest.mark.parametrize(
    ("site", "status"),
    [("cross-site", 403), ("same-site", 403), ("same-origin", 200), ("none", 200)],
)
def test_what_another_site_sends_is_refused_even_with_the_seal(bench, site, status):
    """W3C Fetch Metadata Request Headers: the browser says where a request began."""
    form = {"unit": "1", "form_token": "t0ken"}
    response = client(bench, EVA).post("/hall/a", data=form, headers={"Sec-Fetch-Site": site})
    assert response.status_code == status


def test_a_visitor_whose_credentials_no_browser_sends_of_itself_needs_no_seal(bench):
    program = replace(EVA, form_token="")
    assert client(bench, program).post("/hall/a", data={"unit": "1"}).text == "done"


def test_a_form_is_bounded(bench):
    eva = client(bench, EVA)
    assert eva.post("/hall/a", data={"unit": "x" * 300_000}).status_code == 413
    assert eva.post("/hall/a", json={"unit": 1}).status_code == 415
    many = {"unit": [str(i) for i in range(3_000)], "form_token": "t0ken"}
    assert eva.post("/hall/a", data=many).status_code == 403
    assert acts == []


def test_programs_are_told_in_json(bench):
    """RFC 9457."""
    response = client(bench).get("/api/nothing")
    assert response.status_code == 404
    assert response.headers["content-type"] == "application/problem+json"
    assert response.json()["status"] == 404


# ---------------------------------------------------------------- where one is led back to


@pytest.mark.parametrize(
    "text",
    ["units/quay/ac-1?hours=24", "tickets?state=open&page=2", "a%20b", "tickets?to=https://x.example",
     "unit/with:colon", "a.b/c..d"],
)  # fmt: skip
def test_pages_of_the_board_are_led_back_to(text):
    assert safe_return(text) == text


@pytest.mark.parametrize(
    "text",
    ["", "/", "//evil.example", "/\\evil.example", "\\\\evil.example", "https://evil.example",
     "https:evil.example/../x", "..", "../x", "a/../../x", "a/%2E%2e/x", ".", "./x", "a//b", "a\nb",
     "a\tb", "x" * 501, "é", "sign-in", "sign-in?to=a", "sign-out", " a"],
)  # fmt: skip
def test_nothing_else_is_led_back_to(text):
    assert safe_return(text) == ""


@given(st.text(alphabet="ab/\\:.?#%2eE@\t\n é", max_size=20) | st.text(max_size=40))
def test_whatever_is_asked_for_the_way_back_stays_on_the_board(text):
    """By the resolution of RFC 3986 in the standard library, below a proxy's path."""
    back = safe_return(text)
    there = urlsplit(urljoin("https://board.example/some/path/sign-in", "./" + back))
    assert (there.scheme, there.netloc) == ("https", "board.example")
    assert there.path.startswith("/some/path/")
    assert not set(back) & set("\\\t\r\n")


@given(st.lists(st.tuples(st.sampled_from("abc"), st.text(max_size=5))))
def test_a_form_keeps_every_value_and_shows_the_last(fields):
    form = Form(fields)
    for name in form:
        assert form.all(name) == [v for n, v in fields if n == name]
        assert form[name] == form.all(name)[-1]
    assert form.all("none") == []
