"""Recognises who comes with a request: a session's cookie, a program's token, a proxy's header.

A token counts only where programs ask (below ``/api/``), a proxy's header only where the connection
itself comes from an address that fleet.toml names. Whoever shows a token that does not hold is
nobody, whatever else comes with the request.
"""

from __future__ import annotations

import ipaddress
import logging
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final
from urllib.parse import urlsplit

from fastapi import Request, Response

from gateway.accounts.actors import How
from gateway.accounts.attempts import SignInLimit
from gateway.accounts.keys import is_token, kept
from gateway.accounts.names import NameRefused, account_name
from gateway.accounts.passwords import Passwords
from gateway.board.doors import for_programs, is_by_itself, peer_of
from gateway.board.links import Signer
from gateway.board.settings import BoardSettings
from gateway.board.visitor import Role, Visitor
from gateway.records.accounts import Account, AccountStore, Session
from gateway.records.session import RecordsError
from gateway.tickets.document import clean

__all__ = ["Cookies", "DemonstrationDoors", "PeopleDoors", "is_loopback"]

log = logging.getLogger(__name__)

_MINUTE_MS: Final = 60_000
_SELDOM_MS: Final = _MINUTE_MS
"""How often at most a session's or token's last use is written."""

_MOST_STRANGERS: Final = 100
"""Of which the log tells: it must not fill up by what anybody may send."""

_MARK_S: Final = 365 * 86_400
_BEARER: Final = "bearer "


@dataclass(frozen=True)
class Cookies:
    """The board's cookies: their names and how they are set, by the address people use.

    With https they are Secure and carry the prefix that lets a browser take them from nowhere else
    (``__Host-`` or, below a path, ``__Secure-``: RFC 6265bis, section 4.1.3). None is for scripts,
    and none comes with a request that another site began, but for following a link (SameSite=Lax).
    """

    secure: bool
    path: str
    prefix: str = field(init=False)

    def __post_init__(self) -> None:
        prefix = ("__Host-" if self.path == "/" else "__Secure-") if self.secure else ""
        object.__setattr__(self, "prefix", prefix)

    @classmethod
    def of(cls, public_url: str) -> Cookies:
        """Those of a board that people reach at this address, '' for none."""
        parts = urlsplit(public_url)
        return cls(parts.scheme == "https", parts.path.rstrip("/") or "/")

    def read(self, request: Request, name: str) -> str:
        """The cookie's value, '' without one."""
        return request.cookies.get(self.prefix + name, "")

    def give(self, response: Response, name: str, value: str, lasting_s: int | None = None) -> None:
        """Set a cookie, until the browser is closed or for ``lasting_s``."""
        response.set_cookie(
            self.prefix + name, value, lasting_s, path=self.path, secure=self.secure,
            httponly=True, samesite="lax",
        )  # fmt: skip

    def take(self, response: Response, name: str) -> None:
        """Have the browser forget a cookie."""
        response.delete_cookie(
            self.prefix + name, self.path, secure=self.secure, httponly=True, samesite="lax"
        )


SESSION: Final = "basinward-session"
MARK: Final = "basinward-known"
BEGINNING: Final = "basinward-signing-in"


class PeopleDoors:
    """Recognises those who have accounts."""

    def __init__(
        self,
        accounts: AccountStore,
        signer: Signer,
        settings: BoardSettings,
        clock_ms: Callable[[], int],
        *,
        passwords: Passwords | None = None,
        limit: SignInLimit | None = None,
    ) -> None:
        """By these accounts; ``signer`` seals forms and marks, ``clock_ms`` is UTC's."""
        self.passwords = passwords or Passwords()
        self.limit = limit or SignInLimit()
        self._accounts = accounts
        self._signer = signer
        self._clock_ms = clock_ms
        self.cookies = Cookies.of(settings.public_url)
        self.idle_ms = settings.session_idle_minutes * _MINUTE_MS
        self.longest_ms = settings.session_hours * 60 * _MINUTE_MS
        self._strangers: set[str] = set()
        self._silent_until_s = 0.0
        self._header = settings.sign_on_header
        self._proxies = frozenset(ipaddress.ip_address(a) for a in settings.sign_on_from)

    def recognise(self, request: Request) -> Visitor | None:
        """The visitor of a token, a proxy or a session, in this order."""
        shown = request.headers.get("authorization")
        if shown is not None and for_programs(request):
            return self._program(shown)
        named = self._named_by_proxy(request)
        if named is not None:
            return self._by_proxy(named)
        session = self.session(request)
        if session is None:
            return None
        key = self.cookies.read(request, SESSION)
        return _visitor(session.account, How.SESSION, self._signer.form_seal("session", key))

    def session(self, request: Request) -> Session | None:
        """The session that the request's cookie is of, if it holds; noted as used by a person."""
        key = self.cookies.read(request, SESSION)
        if not key:
            return None
        session, now_ms = self._accounts.session(kept(key)), self._clock_ms()
        if session is None or session.account.disabled:
            return None
        if not session.begun_ms <= now_ms < session.begun_ms + self.longest_ms:
            return None
        if now_ms >= session.seen_ms + self.idle_ms:
            return None
        seldom = now_ms >= session.seen_ms + min(_SELDOM_MS, self.idle_ms // 10)
        if seldom and not is_by_itself(request):
            self._note_use(lambda: self._accounts.touch_session(session.key_hash, now_ms))
        return session

    def _note_use(self, note: Callable[[], None]) -> None:
        """Note a last use where that takes no time: a page is read though nothing can be written.

        Else the next request tries; the log tells of it once a minute.
        """
        try:
            note()
        except RecordsError as error:
            now_s = time.monotonic()
            if now_s >= self._silent_until_s:
                self._silent_until_s = now_s + 60.0
                log.warning("When somebody was here last was not noted: %s", error)

    def mark_for(self, account: str, chance: str) -> str:
        """What a browser gets that has signed in to the account; ``chance`` is its own."""
        return f"{chance}.{self._signer.form_seal(f'mark {account}', chance)}"

    def mark_of(self, request: Request, account: str) -> str:
        """The browser's mark of having signed in to this account before, '' without a good one."""
        chance, _, seal = self.cookies.read(request, MARK).partition(".")
        good = bool(chance) and self._signer.is_form_seal(seal, f"mark {account}", chance)
        return chance if good else ""

    def give_mark(self, response: Response, account: str, chance: str) -> None:
        """Let the browser keep its mark."""
        self.cookies.give(response, MARK, self.mark_for(account, chance), _MARK_S)

    def _program(self, shown: str) -> Visitor | None:
        key = shown[len(_BEARER) :].strip() if shown.lower().startswith(_BEARER) else ""
        token, now_ms = self._accounts.token(kept(key)) if is_token(key) else None, self._clock_ms()
        if token is None or token.account.disabled or token.revoked_ms is not None:
            return None
        if now_ms >= token.expires_ms:
            return None
        if token.used_ms is None or now_ms >= token.used_ms + _SELDOM_MS:
            self._note_use(lambda: self._accounts.touch_token(token, now_ms))
        roles = _in_both(_roles(token.roles), _roles(token.account.roles))
        return Visitor(
            token.account.shown_name, roles, account=token.account.name, how=How.TOKEN,
            token=token.id, token_purpose=token.purpose,
        )  # fmt: skip

    def _named_by_proxy(self, request: Request) -> str | None:
        """The name in the header where it may be believed; None where nobody says anything."""
        if not self._header:
            return None
        values = request.headers.getlist(self._header)
        if not values or not any(values):
            return None
        if not is_among(peer_of(request), self._proxies):
            self._note_stranger(peer_of(request))
            return None
        # Two of them: one may have been sent through the proxy by its visitor.
        return values[0] if len(values) == 1 else ""

    def _note_stranger(self, peer: str) -> None:
        if peer in self._strangers or len(self._strangers) >= _MOST_STRANGERS:
            return
        self._strangers.add(peer)
        log.warning(
            "%s came from %s, which is none of sign_on_from; it is not believed.",
            self._header, clean(peer, 100),
        )  # fmt: skip

    def _by_proxy(self, named: str) -> Visitor | None:
        try:
            account = self._accounts.get(account_name(named))
        except NameRefused:
            account = None
        if account is None or account.disabled:
            log.warning("A proxy named somebody who has no account or may not sign in.")
            return None
        return _visitor(account, How.PROXY, self._signer.form_seal("proxy", account.name))


class DemonstrationDoors:
    """Lets everybody on this machine in, with every role; pages say so by ``is_demo``.

    A page of another site could have its browser ask a name that leads to this machine; so the
    host that the request names must be this machine too.
    """

    def __init__(self, signer: Signer) -> None:
        """With forms sealed by ``signer``."""
        self._visitor = Visitor(
            "Demonstration visitor", frozenset(Role), signer.form_seal("demonstration", ""),
            is_demo=True, account="demonstration", how=How.DEMONSTRATION,
        )  # fmt: skip

    def recognise(self, request: Request) -> Visitor | None:
        """The one visitor."""
        host = urlsplit(f"//{request.headers.get('host', '')}").hostname or ""
        if not is_loopback(host) or not is_loopback(peer_of(request)):
            return None
        return self._visitor


def is_loopback(host: str) -> bool:
    """Whether the name or address is this machine's own."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def is_among(
    address: str, allowed: frozenset[ipaddress.IPv4Address | ipaddress.IPv6Address]
) -> bool:
    """Whether the address is one of these; an IPv4 address mapped into IPv6 is that address."""
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return False
    if isinstance(parsed, ipaddress.IPv6Address) and parsed.ipv4_mapped is not None:
        parsed = parsed.ipv4_mapped
    return parsed in allowed


def _roles(words: frozenset[str]) -> frozenset[Role]:
    return frozenset(role for role in Role if role.value in words)


def _in_both(some: frozenset[Role], others: frozenset[Role]) -> frozenset[Role]:
    return frozenset(r for r in Role if Visitor("", some).may(r) and Visitor("", others).may(r))


def _visitor(account: Account, how: How, form_token: str) -> Visitor:
    return Visitor(
        account.shown_name, _roles(account.roles), form_token, account=account.name, how=how
    )
