"""The board over a shown fleet, in a test client and on a real socket."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import uvicorn
from starlette.testclient import TestClient

from gateway.board.app import make_app
from gateway.board.board import Board
from gateway.board.doors import LetsIn
from gateway.board.house import House
from gateway.board.links import Signer
from gateway.board.page import Pages
from gateway.board.server import configured, listen
from gateway.board.visitor import Role, Visitor
from gateway.tickets.render import MailRenderer
from rules.faults.registry import FAULTS
from support.shown_fleet import ShownFleet

__all__ = ["ANA", "EVERY", "board_of", "client", "served"]

EVERY = frozenset(Role)
ANA = Visitor("Ana Reis", EVERY, form_token="t0ken-of-ana")


def board_of(fleet: ShownFleet, visitor: Visitor | None = ANA) -> Board:
    """The board, with everybody let in as the visitor."""
    renderer = MailRenderer(fleet.sites, FAULTS)
    board = Board(
        fleet.records, Signer(bytes(range(32)), "records-1"), Pages(fleet.sites, renderer),
        fleet.configuration.name, clock_ms=lambda: fleet.now_ms,
        house=House(fleet.source, renderer),
    )  # fmt: skip
    return board if visitor is None else replace(board, doorkeeper=LetsIn(visitor))


def client(board: Board) -> TestClient:
    return TestClient(
        make_app(board), base_url="https://board.example", follow_redirects=False,
        headers={"Accept": "text/html"},
    )  # fmt: skip


@contextmanager
def served(board: Board) -> Iterator[str]:
    """On a real socket; gives its address."""
    with listen("127.0.0.1", 0) as listening:
        server = uvicorn.Server(configured(make_app(board)))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        finally:
            if board.house is not None:
                board.house.live.close()
            server.should_exit = True
            thread.join(30)
