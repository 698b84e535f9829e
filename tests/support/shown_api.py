"""A shown fleet's board with accounts, asked by programs with tokens."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from httpx2 import Response
from starlette.testclient import TestClient

from gateway.accounts.actors import Actor, How
from gateway.accounts.keys import kept, new_token
from gateway.board.app import make_app
from gateway.board.limits import RequestLimit
from gateway.board.people import PeopleDoors
from gateway.board.settings import BoardSettings
from support.shown_board import board_of
from support.shown_fleet import ShownFleet, fleet_of

__all__ = ["ROOT", "ShownApi", "is_problem"]

ROOT = Actor("root", "root", How.COMMAND)
PROBLEM = "application/problem+json"
DAY_MS = 86_400_000


class ShownApi:
    """The board's application over a fleet; ``rui`` may view, operate and plan, ``ida`` all."""

    def __init__(self, where: Path, sites: int = 2, units: int = 2) -> None:
        self.fleet = ShownFleet(where, fleet_of(sites, units))
        self.records = self.fleet.records
        self.board = board_of(self.fleet, None)
        self.board.doorkeeper = PeopleDoors(
            self.records.accounts, self.board.signer, BoardSettings(), lambda: self.fleet.now_ms
        )
        self.board.request_limit = RequestLimit(10**9)
        now_ms = self.fleet.now_ms
        accounts = self.records.accounts
        accounts.add("rui", "Rui Prata", "", ["view", "operate", "plan"], ROOT, now_ms)
        accounts.add("ida", "Ida Root", "", ["administer"], ROOT, now_ms)
        self.app = make_app(self.board)
        self.client = TestClient(self.app, base_url="https://board.example")

    def token(self, *roles: str, account: str = "rui", days: int = 1) -> str:
        made, now_ms = new_token(), self.fleet.now_ms
        self.records.accounts.add_token(
            account, "tests", kept(made), roles, now_ms + days * DAY_MS, ROOT, now_ms
        )
        return str(made)

    def get(self, path: str, token: str = "", **headers: str) -> Response:
        shown = {"Authorization": f"Bearer {token}"} if token else {}
        return self.client.get(f"/api/1/{path}", headers=shown | headers)

    def post(self, path: str, body: Any, token: str = "", **headers: str) -> Response:
        shown = {"Authorization": f"Bearer {token}"} if token else {}
        return self.client.post(f"/api/1/{path}", json=body, headers=shown | headers)

    def close(self) -> None:
        self.client.close()
        self.fleet.close()


def is_problem(response, status: int) -> str:
    """RFC 9457, sections 3 and 4.2.1; gives what it says to a person."""
    assert response.status_code == status
    assert response.headers["content-type"] == PROBLEM
    document = response.json()
    assert document["status"] == status
    assert document["title"] == response.reason_phrase
    assert document.get("type", "about:blank") == "about:blank"
    return str(document["detail"])
