"""A real SMTP server on loopback for tests: keeps what it accepts, and misbehaves when told to."""

from __future__ import annotations

import asyncio
import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from typing import Any, cast

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, Session

from support.ports import free_port

__all__ = ["MailCatcher", "Received"]

_PATIENCE_S = 120.0


@dataclass(frozen=True)
class Received:
    """One accepted message and the envelope it came in."""

    sender: str
    recipients: tuple[str, ...]
    content: bytes

    @property
    def message(self) -> EmailMessage:
        return cast("EmailMessage", message_from_bytes(self.content, policy=policy.default))


@dataclass
class Behaviour:
    """What the server answers; changed by tests while it runs.

    ``at_rcpt`` is called when a recipient is named, ``at_data`` when a whole message has arrived,
    ``before_reply`` when it is kept and about to be answered; each may block. A connection that
    breaks before a message is kept loses it, as with any server. ``messages_a_session``
    closes a connection with 421 after so many messages.
    """

    rcpt: dict[str, str] = field(default_factory=dict)
    mail: str = ""
    data: str = ""
    at_data: Callable[[Received], None] | None = None
    at_rcpt: Callable[[str], None] | None = None
    before_reply: Callable[[Received], None] | None = None
    drop_at_data: bool = False
    drop_after_data: bool = False
    messages_a_session: int = 0


class _Handler:
    def __init__(self, catcher: MailCatcher) -> None:
        self.catcher = catcher

    async def handle_MAIL(  # noqa: N802  # the library finds it by this name
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        behaviour = self.catcher.behaviour
        sent = getattr(session, "messages", 0)
        if behaviour.messages_a_session and sent >= behaviour.messages_a_session:
            _close_soon(server)
            return "421 4.7.0 enough messages on this connection"
        if behaviour.mail:
            return behaviour.mail
        envelope.mail_from = address
        envelope.mail_options.extend(options)
        return "250 2.1.0 sender ok"

    async def handle_RCPT(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        behaviour = self.catcher.behaviour
        if behaviour.at_rcpt is not None:
            await asyncio.get_running_loop().run_in_executor(None, behaviour.at_rcpt, address)
        answer = behaviour.rcpt.get(address, "250 2.1.5 recipient ok")
        if answer.startswith("250"):
            envelope.rcpt_tos.append(address)
            envelope.rcpt_options.extend(options)
        return answer

    async def handle_DATA(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        behaviour = self.catcher.behaviour
        content = envelope.original_content or b""
        received = Received(envelope.mail_from or "", tuple(envelope.rcpt_tos), content)
        if behaviour.at_data is not None:
            await asyncio.get_running_loop().run_in_executor(None, behaviour.at_data, received)
        if behaviour.drop_at_data:
            _abort(server)
            return "451 dropped"
        if behaviour.data:
            return behaviour.data
        session.messages = getattr(session, "messages", 0) + 1  # type: ignore[attr-defined]  # ours
        self.catcher.keep(received)
        if behaviour.before_reply is not None:
            await asyncio.get_running_loop().run_in_executor(None, behaviour.before_reply, received)
        if behaviour.drop_after_data:
            _abort(server)
        return "250 2.0.0 taken"


def _abort(server: SMTP) -> None:
    cast("Any", server).transport.abort()


def _close_soon(server: SMTP) -> None:
    asyncio.get_running_loop().call_later(0, cast("Any", server).transport.close)


class _Controller(Controller):
    """Starts where a test may stop it again at once, and closes connections when it stops."""

    def factory(self) -> SMTP:
        server = super().factory()
        cast("Any", self.handler).catcher.sessions += 1
        return cast("SMTP", server)


class MailCatcher:
    """The server. ``start`` and ``stop`` may follow each other; the port stays the same."""

    def __init__(
        self,
        *,
        tls: ssl.SSLContext | None = None,
        implicit_tls: bool = False,
        login: tuple[str, str] | None = None,
    ) -> None:
        self.port = free_port()
        self.behaviour = Behaviour()
        self.received: list[Received] = []
        self.sessions = 0
        self._arrived = threading.Condition()
        self._controller: Controller | None = None
        self._options: dict[str, Any] = {}
        if tls is not None and implicit_tls:
            self._options["ssl_context"] = tls
        elif tls is not None:
            self._options |= {"tls_context": tls, "require_starttls": True}
        self.logins: list[bool] = []
        """Whether each attempt to log in was right."""
        if login is not None:
            # The library does not see that a connection was TLS from its first byte.
            required = not implicit_tls
            self._options |= {
                "authenticator": self._authenticator(login),
                "auth_required": required,
                "auth_require_tls": required,
            }

    def __enter__(self) -> MailCatcher:
        self.start()
        return self

    def __exit__(self, *_exc: object) -> None:
        self.stop()

    def start(self) -> None:
        self._controller = _Controller(
            _Handler(self), hostname="127.0.0.1", port=self.port,
            ready_timeout=_PATIENCE_S,  # the library's own 5 s are short on a busy machine
            **self._options,
        )  # fmt: skip
        self._controller.start()
        self.sessions = 0  # the controller connects once itself, to see that it runs

    def stop(self) -> None:
        if self._controller is not None:
            self._controller.stop(no_assert=True)
            self._controller = None

    def _authenticator(self, login: tuple[str, str]) -> Callable[..., AuthResult]:
        def check(_server: object, _s: object, _e: object, _kind: str, data: Any) -> AuthResult:
            right = (data.login.decode(), data.password.decode()) == login
            self.logins.append(right)
            return AuthResult(success=right, handled=False)

        return check

    def keep(self, received: Received) -> None:
        with self._arrived:
            self.received.append(received)
            self._arrived.notify_all()

    def wait_for(self, count: int, timeout_s: float = 120.0) -> list[Received]:
        """Wait until so many messages were accepted."""
        with self._arrived:
            assert self._arrived.wait_for(lambda: len(self.received) >= count, timeout_s), (
                f"{len(self.received)} of {count} messages came"
            )
            return list(self.received)
