"""A board with accounts, and a browser that goes through its pages without one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from board_bench import SIGNER, Bench, Page
from httpx2 import Response
from starlette.testclient import TestClient
from support.records import NOW_MS

from gateway.accounts.actors import Actor, How
from gateway.accounts.attempts import SignInLimit
from gateway.accounts.passwords import Passwords
from gateway.board.app import make_app
from gateway.board.people import PeopleDoors
from gateway.board.rooms.sign_in import sign_in
from gateway.board.settings import BoardSettings

__all__ = ["PASSWORD", "ROOT", "SESSION", "Browser", "People"]

PASSWORD = "pump under five blue lamps"
ROOT = Actor("root", "root", How.COMMAND)
SESSION = "__Host-basinward-session"
HTML = {"Accept": "text/html"}


class People(Bench):
    """Rui, who views and operates, and a clock of which the test has the hands."""

    def __init__(self, where: Path, *rooms: Any, **settings: Any) -> None:
        super().__init__(where)
        self.now_s = 0.0
        settings.setdefault("public_url", "https://board.example")
        self.settings = BoardSettings(**settings)
        self.passwords = Passwords(passes=1, memory_kib=8, lanes=1)
        self.doors = PeopleDoors(
            self.records.accounts, SIGNER, self.settings, lambda: self.now_ms,
            passwords=self.passwords, limit=SignInLimit(),
        )  # fmt: skip
        self.board.doorkeeper = self.doors
        self.app = make_app(
            self.board, [*rooms, lambda board, paper: sign_in(board, paper, lambda: self.now_s)]
        )
        self.records.accounts.add(
            "rui", "Rui Prata", self.passwords.hashed(PASSWORD), ["view", "operate"], ROOT, NOW_MS
        )

    def later(self, minutes: float) -> None:
        """Both clocks go on."""
        self.now_ms += round(minutes * 60_000)
        self.now_s += minutes * 60

    def browser(self, address: str = "192.0.2.7") -> Browser:
        return Browser(self, address)


class Browser:
    """Keeps cookies and sends hidden fields, as browsers do."""

    def __init__(self, people: People, address: str) -> None:
        base = people.settings.public_url or "http://127.0.0.1:8494"
        self.client = TestClient(
            people.app, base_url=base, follow_redirects=False, client=(address, 50_000),
            raise_server_exceptions=False,
        )  # fmt: skip

    def get(self, path: str, **headers: str) -> Response:
        return self.client.get(path, headers=HTML | headers)

    def send(self, path: str, fields: dict[str, str], **headers: str) -> Response:
        """The form as it is given, and nothing more."""
        return self.client.post(path, data=fields, headers=HTML | headers)

    def sign_in(
        self, name: str = "rui", password: str = PASSWORD, to: str = "", **more: str
    ) -> Response:
        """Open the page, fill it in, send it."""
        page = Page(self.get(f"/sign-in?to={to}" if to else "/sign-in").text)
        fields = page.fields() | {"name": name, "password": password} | more
        return self.send("/sign-in", fields)

    def seal(self) -> str:
        """The seal of this visit's forms, from a page of it."""
        return Page(self.get("/account").text).fields()["form_token"]

    def is_in(self) -> bool:
        return self.get("/account").status_code == 200

    def cookies(self) -> dict[str, str]:
        return {cookie.name: cookie.value or "" for cookie in self.client.cookies.jar}
