"""The board over a shown fleet, in a test client and on a real socket."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property

import uvicorn
from fastapi import FastAPI
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


@dataclass
class ShownBoard(Board):
    """A board whose application is made once: that takes much longer than a page."""

    @cached_property
    def app(self) -> FastAPI:
        return make_app(self)


def board_of(fleet: ShownFleet, visitor: Visitor | None = ANA) -> ShownBoard:
    """The board, with everybody let in as the visitor.

    The same one for a visitor as long as the fleet's source stays; without a visitor a new one,
    for the caller to change.
    """
    if visitor is None:
        return _new_board(fleet)
    key = (visitor, id(fleet.source))
    if key not in fleet.boards:
        fleet.boards[key] = replace(_new_board(fleet), doorkeeper=LetsIn(visitor))
    return fleet.boards[key]


def _new_board(fleet: ShownFleet) -> ShownBoard:
    renderer = MailRenderer(fleet.sites, FAULTS)
    return ShownBoard(
        fleet.records, Signer(bytes(range(32)), "records-1"), Pages(fleet.sites, renderer),
        fleet.configuration.name, clock_ms=lambda: fleet.now_ms,
        house=House(fleet.source, renderer),
    )  # fmt: skip


def client(board: ShownBoard) -> TestClient:
    """A client that lets in nobody of itself; each has its own cookies."""
    return TestClient(
        board.app, base_url="https://board.example", follow_redirects=False,
        headers={"Accept": "text/html"},
    )  # fmt: skip


@contextmanager
def served(board: Board) -> Iterator[str]:
    """On a real socket; gives its address. What follows changes is the server's own."""
    house = board.house and House(board.house.source, board.house.renderer)
    with listen("127.0.0.1", 0) as listening:
        server = uvicorn.Server(configured(make_app(replace(board, house=house))))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        finally:
            if house is not None:
                house.live.close()
            server.should_exit = True
            thread.join(120)
