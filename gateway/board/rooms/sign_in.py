"""Signing in and out, and the page of one's own account.

A wrong name and a wrong password look the same, take the same work and count the same. The form is
bound to the browser that fetched it, so that no other site can sign somebody in under a name of its
own choice. Signing in gives the session a new key, whatever key the browser came with.
"""

from __future__ import annotations

import logging
import secrets
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Annotated, Final

from fastapi import APIRouter, Request, Response
from fastapi.concurrency import run_in_threadpool

from gateway.accounts.actors import Actor, How
from gateway.accounts.keys import kept, new_key
from gateway.accounts.names import NameRefused, account_name
from gateway.accounts.passwords import LONGEST, SHORTEST, PasswordRefused
from gateway.board.board import Board
from gateway.board.doors import actor_of, needs, safe_return
from gateway.board.forms import Form, FormFields
from gateway.board.limits import network_of
from gateway.board.messages import Message, Told
from gateway.board.paper import Paper
from gateway.board.people import BEGINNING, SESSION, PeopleDoors
from gateway.board.visitor import Visitor
from gateway.records.accounts import Account, Session
from gateway.records.session import RecordsError, RecordsUnavailable
from gateway.tickets.document import clean

__all__ = ["sign_in"]

log = logging.getLogger(__name__)

_WRONG: Final = "The name or the password is wrong. Nothing tells which, so look at both."
_AGAIN: Final = (
    "This page was open for too long, or the browser keeps no cookies for it. Sign in again."
)
_ENDED: Final = (
    "Your visit has ended, by time or by hand. Sign in again; it goes on where you were."
)


def sign_in(board: Board, paper: Paper, clock_s: Callable[[], float] = time.monotonic) -> APIRouter:
    """The routes ``/sign-in``, ``/sign-out`` and ``/account``."""
    router = APIRouter()
    if isinstance(board.doorkeeper, PeopleDoors):
        _add_routes(router, _Reception(board, board.doorkeeper, paper, clock_s))
    else:

        @router.api_route("/sign-in", methods=["GET", "HEAD"])
        def none() -> Response:
            raise Told(_nobody_signs_in())

    return router


def _add_routes(router: APIRouter, reception: _Reception) -> None:
    @router.api_route("/sign-in", methods=["GET", "HEAD"])
    def ask(request: Request, to: str = "") -> Response:
        return reception.ask(request, safe_return(to))

    @router.post("/sign-in")
    async def enter(request: Request, form: FormFields) -> Response:
        return await run_in_threadpool(reception.enter, request, form)

    @router.post("/sign-out", dependencies=[needs(None)])
    async def leave(request: Request, form: FormFields) -> Response:
        return await run_in_threadpool(reception.leave, request, bool(form.get("everywhere")))

    @router.api_route("/account", methods=["GET", "HEAD"])
    def own(request: Request, visitor: Annotated[Visitor, needs(None)]) -> Response:
        return reception.own(request, visitor)

    @router.post("/account/tokens")
    async def revoke(
        request: Request, form: FormFields, visitor: Annotated[Visitor, needs(None)]
    ) -> Response:
        return await run_in_threadpool(reception.revoke_token, request, visitor, form)

    @router.post("/account")
    async def change(
        request: Request, form: FormFields, visitor: Annotated[Visitor, needs(None)]
    ) -> Response:
        return await run_in_threadpool(reception.change_password, request, visitor, form)


class _Reception:
    def __init__(
        self, board: Board, doors: PeopleDoors, paper: Paper, clock_s: Callable[[], float]
    ) -> None:
        self._board = board
        self._doors = doors
        self._paper = paper
        self._clock_s = clock_s
        self._accounts = board.records.accounts

    # --- in -----------------------------------------------------------------------------------

    def ask(self, request: Request, to: str) -> Response:
        """The page for signing in; who is signed in already goes on to where he wanted."""
        if request.state.visitor is not None:
            return _led(f"./{to}")
        had_session = bool(self._doors.cookies.read(request, SESSION))
        return self._form(request, 200, to, trouble=_ENDED if had_session else "")

    def enter(self, request: Request, form: Form) -> Response:
        """Sign in, if name and password are right."""
        to, typed = safe_return(form.get("to", "")), form.get("name", "")
        beginning = self._doors.cookies.read(request, BEGINNING)
        signer = self._board.signer
        if not beginning or not signer.is_form_seal(form.get("seal", ""), "sign in", beginning):
            return self._form(request, 403, to, trouble=_AGAIN, name=typed)
        try:
            name = account_name(typed)
        except NameRefused:
            name = typed.strip().casefold()[:64]  # of nobody, and counted like any other
        address = request.client.host if request.client else ""
        network, mark = network_of(address), self._doors.mark_of(request, name)
        if self._doors.passwords.is_busy:  # or those who wait would take every thread there is
            raise Told(_busy())
        admission = self._doors.limit.admit(name, network, mark, self._clock_s())
        if admission.wait_s:
            raise Told(_too_many(int(admission.wait_s) + 1))
        account = self._accounts.get(name)
        password = form.get("password", "")
        written = "" if account is None or account.disabled else account.password_hash
        if not self._doors.passwords.matches(written, password) or account is None:
            # What was typed for a name may have been the password, so only a real name is told.
            whom = account.name if account else "a name without account"
            log.info("Signing in failed for %s, from %s.", whom, clean(address, 100))
            if admission.is_last:
                log.warning("Too many failures for %s, from %s.", whom, clean(address, 100))
            return self._form(request, 403, to, trouble=_WRONG, name=typed)
        key = new_key()
        begun = self._accounts.begin_session(
            account, kept(key), _as_session(account, address), self._board.clock_ms(),
            browser=clean(request.headers.get("user-agent", ""), 200),
            idle_ms=self._doors.idle_ms, longest_ms=self._doors.longest_ms,
            replaces=kept(self._doors.cookies.read(request, SESSION)),
        )  # fmt: skip
        if not begun:
            return self._form(request, 403, to, trouble=_WRONG, name=typed)
        self._doors.limit.succeeded(name, network, mark)
        if self._doors.passwords.is_outdated(account.password_hash):
            self._accounts.renew_hash(account, self._doors.passwords.hashed(password))
        log.info("%s has signed in, from %s.", account.name, clean(address, 100))
        response = _led(f"./{to}")
        self._doors.cookies.give(response, SESSION, key)
        self._doors.give_mark(response, account.name, mark or secrets.token_urlsafe(16))
        self._doors.cookies.take(response, BEGINNING)
        return response

    def _form(
        self, request: Request, status: int, to: str, *, trouble: str = "", name: str = ""
    ) -> Response:
        beginning = secrets.token_urlsafe(16)
        response = self._paper.page(
            request, "sign_in.html.j2", status,
            to=to, trouble=trouble, name=clean(name, 64), longest=LONGEST,
            seal=self._board.signer.form_seal("sign in", beginning),
            nobody=not self._accounts.all(),
        )  # fmt: skip
        self._doors.cookies.give(response, BEGINNING, beginning)
        return response

    # --- out ----------------------------------------------------------------------------------

    def leave(self, request: Request, everywhere: bool) -> Response:
        """Sign out, here or in every browser."""
        visitor: Visitor = request.state.visitor
        if visitor.how is not How.SESSION:
            raise Told(_not_by_session())
        session = self._doors.session(request)
        now_ms = self._board.clock_ms()
        if everywhere:
            self._accounts.end_sessions(visitor.account, actor_of(request), now_ms)
        elif session is not None:
            self._accounts.end_session(session, actor_of(request), now_ms)
        response = _led("sign-in")
        self._doors.cookies.take(response, SESSION)
        return response

    # --- one's own account ----------------------------------------------------------------------

    def own(
        self, request: Request, visitor: Visitor, status: int = 200, trouble: str = "",
        done: str = "",
    ) -> Response:  # fmt: skip
        """Who one is, where one is signed in, and another password."""
        account = self._accounts.get(visitor.account)
        if account is None:  # taken away while the page was asked for
            raise Told(_nobody_signs_in())
        here = self._doors.session(request) if visitor.how is How.SESSION else None
        key_hash, now_ms = here.key_hash if here else "", self._board.clock_ms()
        visits = [
            (_when(s.seen_ms), s.address, s.browser, s.key_hash == key_hash)
            for s in self._accounts.sessions(account)
            if self._holds(s, now_ms)
        ]  # fmt: skip
        tokens = [
            (
                t.id, clean(t.purpose, 200), ", ".join(sorted(t.roles)), _when(t.expires_ms),
                _when(t.used_ms) if t.used_ms is not None else "never",
            )
            for t in self._accounts.tokens(account)
            if t.revoked_ms is None and now_ms < t.expires_ms
        ]  # fmt: skip
        return self._paper.page(
            request, "account.html.j2", status, tokens=tokens,
            account=account, roles=sorted(visitor.roles), visits=visits, trouble=trouble, done=done,
            changes=here is not None, shortest=SHORTEST, longest=LONGEST,
        )  # fmt: skip

    def revoke_token(self, request: Request, visitor: Visitor, form: Form) -> Response:
        """One of one's own tokens ends at once."""
        text = form.get("token", "")
        number = int(text) if text.isascii() and text.isdigit() and len(text) < 10 else 0
        try:
            self._accounts.revoke_token(
                number, actor_of(request), self._board.clock_ms(), account=visitor.account
            )
        except RecordsUnavailable:
            raise
        except RecordsError as error:
            return self.own(request, visitor, 409, str(error))
        return self.own(request, visitor, done=f"Token {number} does not hold any more.")

    def change_password(self, request: Request, visitor: Visitor, form: Form) -> Response:
        """Another password; all other sessions end."""
        session = self._doors.session(request)
        if visitor.how is not How.SESSION or session is None:
            raise Told(_not_by_session())
        account, passwords = session.account, self._doors.passwords
        address = request.client.host if request.client else ""
        network, mark = network_of(address), self._doors.mark_of(request, account.name)
        if passwords.is_busy:
            raise Told(_busy())
        admission = self._doors.limit.admit(account.name, network, mark, self._clock_s())
        if admission.wait_s:
            raise Told(_too_many(int(admission.wait_s) + 1))
        if not passwords.matches(account.password_hash, form.get("password", "")):
            trouble = "The present password is wrong. Nothing was changed."
            return self.own(request, visitor, 403, trouble)
        self._doors.limit.succeeded(account.name, network, mark)
        try:
            written = passwords.chosen(
                form.get("new", ""), account.name, account.shown_name, "basinward"
            )
        except PasswordRefused as error:
            return self.own(request, visitor, 422, f"The new password was not taken. {error}")
        self._accounts.set_password(
            account.name, written, actor_of(request), self._board.clock_ms(), keep=session.key_hash
        )
        return self.own(request, visitor, done="The new password holds. Other visits have ended.")

    def _holds(self, session: Session, now_ms: int) -> bool:
        return (
            now_ms < session.seen_ms + self._doors.idle_ms
            and now_ms < session.begun_ms + self._doors.longest_ms
        )


def _led(location: str) -> Response:
    return Response(status_code=303, headers={"Location": location})


def _as_session(account: Account, address: str) -> Actor:
    return Actor(account.name, account.shown_name, How.SESSION, clean(address, 100))


def _when(time_ms: int) -> str:
    return f"{datetime.fromtimestamp(time_ms / 1000, UTC):%Y-%m-%d %H:%M} UTC"


def _too_many(retry_s: int) -> Message:
    return Message(
        429,
        "Too many tries to sign in",
        (
            "Wait a few minutes, then try again. A browser in which you have signed in before is "
            "not held up by what strangers try.",
            "Whoever administers the gateway can set another password at its machine.",
        ),
        "basinward accounts password NAME",
        retry_s,
    )


def _busy() -> Message:
    return Message(
        503,
        "Too many are signing in at this moment",
        ("Wait a few seconds, then try again. Whoever is signed in can go on working.",),
        retry_s=5,
    )


def _nobody_signs_in() -> Message:
    return Message(
        404, "Nobody signs in here", ("This board has no accounts, or lets everybody in.",)
    )


def _not_by_session() -> Message:
    return Message(
        409,
        "You have not signed in with a password here",
        ("Another server has said who you are. Sign out, or change your password, there.",),
    )
