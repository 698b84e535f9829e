"""Who may pass: the visitor of each request, the role that a route needs, the seal of a form.

The application asks its :class:`Doorkeeper` once a request and keeps the answer as
``request.state.visitor`` (None for nobody). A route says what it needs::

    router = APIRouter(dependencies=[needs(Role.VIEW)])

    @router.post("/tickets/{number}/close")
    async def close(visitor: Annotated[Visitor, needs(Role.OPERATE)], form: FormFields) -> Response:
        ...

Where nobody is signed in, a person who opens a page is led to the page for signing in and back;
whatever else comes is answered by 401. A request that changes something and comes by what a browser
sends of itself (a cookie, a proxy's header) must show the visit's ``form_token``, as the field of
that name or in the header ``X-Form-Token``; :func:`sealed` sees to it before any route does.
"""

from __future__ import annotations

import hmac
import re
from collections.abc import Callable
from typing import Any, Final, Protocol
from urllib.parse import quote

from fastapi import Depends, Request

from gateway.accounts.actors import Actor, How
from gateway.board.forms import form_of
from gateway.board.messages import Message, Messages, Told
from gateway.board.visitor import Role, Visitor
from gateway.tickets.document import clean

__all__ = [
    "LIVE",
    "PEER",
    "Doorkeeper",
    "LetsIn",
    "NobodyKnown",
    "SignInFirst",
    "actor_of",
    "for_programs",
    "here",
    "is_by_itself",
    "may_send",
    "needs",
    "path_of",
    "peer_of",
    "root_of",
    "safe_return",
    "sealed",
]

PEER: Final = "basinward.peer"
"""Where the server notes the connection's address before a header of a proxy replaces it."""

LIVE: Final = "/live"
"""Where open pages hear of changes."""

FORM_TOKEN: Final = "form_token"  # noqa: S105 - a field's name
FORM_TOKEN_HEADER: Final = "X-Form-Token"  # noqa: S105 - a header's name

_SAFE_METHODS: Final = frozenset({"GET", "HEAD", "OPTIONS"})
# W3C Fetch Metadata: what a browser says of where a request began; 'none' is the person himself.
_FROM_HERE: Final = frozenset({"", "same-origin", "none"})
_LONGEST_RETURN: Final = 500
# The characters of path and query (RFC 3986, section 3.3), without a backslash, which browsers
# read as a slash.
_RETURN: Final = re.compile(r"[A-Za-z0-9._~!$&'()*+,;=:@%?-][A-Za-z0-9._~!$&'()*+,;=:@%?/-]*")
_UPWARDS: Final = re.compile(r"(^|/)(\.|%2e){1,2}(/|$)", re.IGNORECASE)
_MESSAGES: Final = Messages()


class Doorkeeper(Protocol):
    """Says who comes with a request."""

    def recognise(self, request: Request) -> Visitor | None:
        """The visitor, or None; called in a thread of its own, so it may wait for the records."""
        ...


class NobodyKnown:
    """Recognises nobody."""

    def recognise(self, request: Request) -> Visitor | None:
        """None."""
        del request
        return None


class LetsIn:
    """Lets everybody in as the same visitor, as the demonstration does."""

    def __init__(self, visitor: Visitor) -> None:
        """Let in this visitor."""
        self._visitor = visitor

    def recognise(self, request: Request) -> Visitor | None:
        """The visitor."""
        del request
        return self._visitor


class SignInFirst(Exception):
    """Leads a person to the page for signing in, and from there to ``back``."""

    def __init__(self, back: str) -> None:
        super().__init__("sign in first")
        self.back = back

    def location(self, request: Request) -> str:
        """The way to that page from the asked one."""
        back = f"?to={quote(self.back, safe='')}" if self.back else ""
        return f"{root_of(request)}sign-in{back}"


def needs(role: Role | None) -> Any:
    """A dependency: the visitor, who has this role; nobody else passes.

    With None everybody passes who is recognised.
    """

    def passed(request: Request) -> Visitor:
        visitor: Visitor | None = request.state.visitor
        if visitor is None:
            if _opens_a_page(request):
                raise SignInFirst(here(request))
            raise Told(_MESSAGES.sign_in_first())
        if role is not None and not visitor.may(role):
            raise Told(_refusal(visitor, role))
        return visitor

    return Depends(_Needs(passed))


class _Needs:
    """The dependency of a route that asks who comes; known as such before it is asked."""

    def __init__(self, ask: Callable[[Request], Visitor]) -> None:
        self.ask = ask

    def __call__(self, request: Request) -> Visitor:
        return self.ask(request)


def may_send(request: Request) -> None:
    """Ask for the roles of the request's route; to be called before its body is read.

    The framework reads a body first, and asks dependencies only then: whoever may not send one must
    not fill the memory with it.
    """
    for one in getattr(request.scope.get("route"), "dependencies", ()):
        if isinstance(one.dependency, _Needs):
            one.dependency(request)


def _refusal(visitor: Visitor, role: Role) -> Message:
    """Why the visitor may not pass: what he came with may hold less than his account."""
    if visitor.how is How.TOKEN:
        return _MESSAGES.not_in_token(role)
    return _MESSAGES.not_allowed(visitor.name, role)


def path_of(request: Request) -> str:
    """The asked path as the server read it; ``request.url`` has the word of the Host header."""
    path: str = request.scope["path"]
    return path


def is_by_itself(request: Request) -> bool:
    """Whether an open page asks of itself, for its changing part or for news, and nobody is there.

    What a person does keeps a visit alive; a page that is left open must not.
    """
    return path_of(request) == LIVE or request.query_params.get("part") == "live"


def for_programs(request: Request) -> bool:
    """Whether the request is for what programs read."""
    return path_of(request).startswith("/api/")


def _opens_a_page(request: Request) -> bool:
    wants_a_page = "text/html" in request.headers.get("accept", "")
    return request.method in _SAFE_METHODS and wants_a_page and not for_programs(request)


async def sealed(request: Request) -> None:
    """A dependency of all routes: what changes something comes from a page of this visit."""
    if request.method in _SAFE_METHODS:
        return
    if request.headers.get("sec-fetch-site", "").lower() not in _FROM_HERE:
        raise Told(_MESSAGES.not_from_here())
    visitor: Visitor | None = request.state.visitor
    if visitor is None or not visitor.form_token:
        return
    shown = request.headers.get(FORM_TOKEN_HEADER)
    if shown is None and for_programs(request):
        raise Told(_MESSAGES.token_of_visit_missing())
    if shown is None:
        may_send(request)
        shown = (await form_of(request)).get(FORM_TOKEN, "")
    if not hmac.compare_digest(shown.encode(), visitor.form_token.encode()):
        raise Told(_MESSAGES.not_from_here())


def root_of(request: Request) -> str:
    """The way from the asked page to the board's root, as a relative reference."""
    return "../" * min(path_of(request).count("/") - 1, 20)


def peer_of(request: Request) -> str:
    """The address that the connection itself comes from, whatever headers say; '' if unknown."""
    peer: str | None = request.scope.get(PEER)
    if peer is not None:
        return peer
    return request.client.host if request.client else ""


def actor_of(request: Request) -> Actor:
    """The request's visitor as the audit trail names him."""
    visitor: Visitor = request.state.visitor
    address = request.client.host if request.client else ""
    token = f"{visitor.token}: {clean(visitor.token_purpose, 200)}" if visitor.token else ""
    return Actor(
        visitor.account or visitor.name, visitor.name, visitor.how, clean(address, 100), token
    )


def here(request: Request) -> str:
    """The asked page from the board's root on, with its query; '' where it cannot be led back to.

    Only what :func:`safe_return` allows.
    """
    path = request.scope.get("raw_path") or request.scope["path"].encode()
    query = request.scope.get("query_string", b"")
    text = path.partition(b"?")[0].decode("ascii", "replace").removeprefix("/")
    return safe_return(text + (f"?{query.decode('ascii', 'replace')}" if query else ""))


def safe_return(text: str) -> str:
    """The text if it names a page of this board relative to its root, else ''.

    No scheme, host, backslash, control character or step upwards is in it, so that it leads nowhere
    else, however a browser reads it. Put ``./`` before it: then a colon is no scheme either
    (RFC 3986, section 4.2).
    """
    path = text.partition("?")[0]
    if len(text) > _LONGEST_RETURN or not _RETURN.fullmatch(text):
        return ""
    if "//" in path or _UPWARDS.search(path) or path in {"sign-in", "sign-out"}:
        return ""
    return text
