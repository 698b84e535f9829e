"""One ticket in real records, its mail's link, and the board's application over them."""

from __future__ import annotations

from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from tempfile import TemporaryDirectory

from httpx2 import Response
from starlette.testclient import TestClient
from support.records import NOW_MS, open_records, raised, step
from ticket_scenes import FAULTS, quay_site

from gateway.board.app import Board, make_app
from gateway.board.links import Act, Signer
from gateway.board.page import Pages
from gateway.records.records import Records
from gateway.tickets.render import MailRenderer
from gateway.tickets.routing import Routing
from rules.events import Action, AlarmEvent, AlarmState, Change, Severity

SITE = quay_site()
SIGNER = Signer(bytes(range(32)), "records-1")


class Page(HTMLParser):
    """What a browser would see of a page."""

    def __init__(self, source: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(source)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def fields(self) -> dict[str, str]:
        """Hidden fields, as a browser sends them."""
        found = [a for t, a in self.tags if t == "input" and a.get("type") == "hidden"]
        return {a["name"] or "": a["value"] or "" for a in found}

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for t, attributes in self.tags if t == tag]


def text_of(response: Response) -> str:
    """The words of the page that was sent."""
    return Page(response.text).text


@cache
def _blank() -> bytes:
    """A file of records with the fleet's units, made once: migrating takes a while."""
    with TemporaryDirectory() as folder:
        open_records(Path(folder)).close()
        return (Path(folder) / "records.sqlite").read_bytes()


class Bench:
    """One ticket in real records, its mail's link, and the application."""

    def __init__(self, where: Path, routing: Routing | None = None) -> None:
        (where / "records.sqlite").write_bytes(_blank())
        options = {"routing": routing} if routing else {}
        self.records: Records = open_records(where, **options)
        self.now_ms = NOW_MS
        self._offset = 0
        self.commit(raised(NOW_MS - 60_000, Severity.HIGH))
        self.number = self.records.tickets()[0].number
        self.link = self.linked(1)
        self.board = Board(
            self.records, SIGNER,
            Pages([SITE], MailRenderer([SITE], FAULTS)), "North fleet",
            reply_to="dispatch@north.example", clock_ms=lambda: self.now_ms,
        )  # fmt: skip
        self.client = TestClient(
            make_app(self.board), base_url="https://board.example", follow_redirects=False,
            raise_server_exceptions=False,
        )  # fmt: skip

    def commit(self, *events: AlarmEvent, applied: list[Action] | None = None) -> None:
        """A step of the rules, at the present time."""
        self._offset += 1
        self.records.commit(
            self._offset, step(*events), (), self.now_ms, [a.id for a in applied or []]
        )

    def linked(self, event_seq: int, number: str = "") -> str:
        link = SIGNER.sign(Act.ACKNOWLEDGE, number or self.number, event_seq, NOW_MS, 72)
        return f"/ack/{link}"

    def apply(self) -> None:
        """Do what the rules do with an acknowledgement that was asked for."""
        (action,) = self.records.pending_actions()
        event = AlarmEvent(
            action.unit_row, action.fault, action.time_ms, Change.ACKNOWLEDGED,
            AlarmState.ACKNOWLEDGED, Severity.HIGH, NOW_MS - 120_000, by=action.by,
            note=action.note,
        )  # fmt: skip
        self.commit(event, applied=[action])

    def get(self, link: str = "") -> Response:
        return self.client.get(link or self.link)

    def post(self, link: str = "", page: Page | None = None, **fields: str) -> Response:
        """What a browser sends from the page, with these fields filled in."""
        page = page or Page(self.get(link).text)
        return self.client.post(link or self.link, data={**page.fields(), **fields})
