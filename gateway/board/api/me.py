"""Who the caller is and what he may do."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter

from gateway.board.api.routing import ApiRoute, answers
from gateway.board.api.terms import Fact
from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.visitor import Role, Visitor

__all__ = ["me_routes"]


class Me(Fact):
    """The caller, as the audit trail will name him."""

    name: str
    """As records and tickets say it."""
    account: str
    roles: list[Role]
    """`view` reads, `operate` acts on alarms and tickets, `plan` on visits; `administer` holds all.
    Of a token: what both it and its account may."""
    how: str
    """How he was recognised: `token`, `session`, `proxy` or `demonstration`."""
    token: int | None
    """The token's number, as `basinward accounts tokens` lists it."""
    form_token: str
    """Only with a cookie or behind a proxy: what acts must show as the header X-Form-Token."""


def me_routes(board: Board) -> APIRouter:
    """The route ``/me``."""
    del board
    router = APIRouter(route_class=ApiRoute, tags=["me"])

    @router.get("/me", responses=answers())
    def who_am_i(visitor: Annotated[Visitor, needs(None)]) -> Me:
        """Who the caller is, and what he may do."""
        return Me(
            name=visitor.name, account=visitor.account,
            roles=sorted(role for role in Role if visitor.may(role)), how=visitor.how.value,
            token=visitor.token or None, form_token=visitor.form_token,
        )  # fmt: skip

    return router
