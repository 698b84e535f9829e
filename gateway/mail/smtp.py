"""The SMTP client: one connection, many mails, and a clear answer for each recipient (RFC 5321).

The standard library's client speaks the protocol; this module drives it command by command, because
the caller must know exactly when a message may have been delivered: from the moment the end-of-data
line is written until the server's reply to it. It reads no clock and keeps no records.
"""

from __future__ import annotations

import re
import smtplib
import ssl
from base64 import b64encode
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

__all__ = [
    "Answer",
    "ConnectionLost",
    "HandoverUnknown",
    "MailServerDown",
    "MailSettings",
    "SmtpSession",
    "SmtpTransport",
    "envelope_address",
]

Security = Literal["none", "starttls", "tls"]

_PORTS: Final[dict[Security, int]] = {"none": 25, "starttls": 587, "tls": 465}
_CLOSING: Final = 421  # RFC 5321, 4.3.2: the service shuts the channel, whatever was asked
_TOO_MANY_RECIPIENTS: Final = 552  # RFC 5321, 4.5.3.1.10: at RCPT, clients treat it as temporary
_SHOWN: Final = 300
# An address as it may stand between angle brackets: no space, no control, no bracket, only ASCII.
_ADDRESS: Final = re.compile(r"[!-;=?-~]+@[!-;=?-~]+")


@dataclass(frozen=True)
class MailSettings:
    """The mail server and who the mail is from.

    ``port`` None means the usual one: 25, 587 with starttls, 465 with tls. ``timeout_s`` is the
    longest wait for one reply; RFC 5321, 4.5.3.2 would have a client wait up to 10 minutes for the
    last, but a submission server answers in seconds. ``ca_file`` replaces the system's
    certificates. ``hourly_limit`` is how many messages an address gets in an hour; the default is
    one a minute, more than anybody can act on (common practice).
    """

    host: str
    from_address: str
    port: int | None = None
    security: Security = "starttls"
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    reply_to: str = ""
    timeout_s: float = 60.0
    ca_file: Path | None = None
    hourly_limit: int = 60

    @property
    def server(self) -> str:
        """Host and port as people write them."""
        return f"{self.host}:{self.port or _PORTS[self.security]}"


@dataclass(frozen=True)
class Answer:
    """What the server said of one message, by recipient's address."""

    accepted: dict[str, str] = field(default_factory=dict)
    refused: dict[str, str] = field(default_factory=dict)
    deferred: dict[str, str] = field(default_factory=dict)


class MailServerDown(Exception):  # states what is the case
    """The server cannot be used at all now; nothing of any message was delivered."""


class ConnectionLost(Exception):
    """The connection failed before the message's end was written: it was not delivered."""


class HandoverUnknown(Exception):
    """The connection failed after the message's end was written: it may have been delivered."""


class SmtpTransport:
    """Opens sessions with one mail server."""

    def __init__(self, settings: MailSettings) -> None:
        """Use this server; nothing is opened yet."""
        self.settings = settings

    @contextmanager
    def session(self) -> Iterator[SmtpSession]:
        """A connection that is ready to send; raises :class:`MailServerDown`, naming the cause."""
        smtp = self._open()
        try:
            yield SmtpSession(smtp, self.settings)
        finally:
            _quit(smtp)

    def _open(self) -> smtplib.SMTP:
        s = self.settings
        step = "connect to"
        smtp: smtplib.SMTP | None = None
        try:
            smtp = _connected(s)
            step = "greet"
            smtp.ehlo_or_helo_if_needed()
            if s.security == "starttls":
                step = "start TLS with"
                smtp.starttls(context=_tls(s))
                smtp.ehlo()
            if s.username is not None:
                step = "log in to"
                smtp.login(s.username, s.password or "")
        except (OSError, smtplib.SMTPException, ValueError) as error:
            if smtp is not None:
                smtp.close()
            raise MailServerDown(self._explained(step, error)) from None
        return smtp

    def _explained(self, step: str, error: Exception) -> str:
        s = self.settings
        match error:
            case smtplib.SMTPAuthenticationError():
                advice = "check username and password of [mail], and that the account may send"
            case ssl.SSLCertVerificationError():
                advice = (
                    "its certificate is not trusted: give [mail] the name that is in the "
                    "certificate as host, or have the certificate renewed"
                )
            case smtplib.SMTPNotSupportedError():
                advice = "it lacks what [mail] asks for: check security, port and username"
            case ssl.SSLError():
                advice = "TLS failed: check that port and security of [mail] belong together"
            case _:
                advice = "check host and port of [mail], the network, and that the server runs"
        return (
            f"Cannot {step} the mail server {s.server} (security {s.security}): "
            f"{_said(error, s)}. Tickets are kept and sent later; {advice}."
        )


class SmtpSession:
    """One open connection."""

    def __init__(self, smtp: smtplib.SMTP, settings: MailSettings) -> None:
        """Wrap a connection that is ready to send."""
        self._smtp = smtp
        self._settings = settings
        self.answered = 0
        """Messages that the server has answered on this connection."""

    @property
    def usable(self) -> bool:
        """Whether another message can be sent on this connection."""
        return self._smtp.sock is not None

    def send(
        self, message: bytes, recipients: Sequence[str], before_end: Callable[[], None]
    ) -> Answer:
        """Send one message to several recipients.

        ``message`` is a complete message with CRLF line ends. ``before_end`` is called once, when
        all but the last line of it is written; what it raises comes out of here, and the message is
        then certainly not delivered. Raises :class:`ConnectionLost` or :class:`HandoverUnknown`;
        the session is of no use after any exception.
        """
        handed_over = False
        try:
            answer, willing = self._envelope(recipients, len(message))
            if willing:
                code, reply = self._command("DATA")
                if code == 354:  # RFC 5321, 4.1.1.4
                    self._smtp.send(_dotted(message))
                    before_end()
                    handed_over = True
                    self._smtp.send(b".\r\n")
                    code, reply = self._text(*self._smtp.getreply())
                _settle(answer, willing, code, reply)
                if code == _CLOSING:
                    self._smtp.close()
            else:
                self._command("RSET")
            self.answered += 1
        except (OSError, smtplib.SMTPException, ValueError) as error:
            self._smtp.close()
            said = _said(error, self._settings)
            lost = HandoverUnknown if handed_over else ConnectionLost
            msg = f"The connection to {self._settings.server} failed: {said}"
            raise lost(msg) from None
        except BaseException:
            self._smtp.close()  # the end is never written: the server drops what it has
            raise
        return answer

    def _envelope(self, recipients: Sequence[str], size: int) -> tuple[Answer, dict[str, str]]:
        """MAIL and RCPT: the refusals so far, and the recipients whom the server will take."""
        answer = Answer()
        option = f" SIZE={size}" if self._smtp.has_extn("size") else ""  # RFC 1870
        code, reply = self._command(f"MAIL FROM:<{self._settings.from_address}>{option}")
        if code // 100 != 2:
            # A refused sender is a fault of the settings, not of this mail: nobody is given up.
            answer.deferred.update(dict.fromkeys(recipients, reply))
            return answer, {}
        willing: dict[str, str] = {}
        for address in recipients:
            written = envelope_address(address)
            if written is None:
                answer.refused[address] = (
                    "not sent: the address has characters that the server cannot be given; "
                    "correct it in oncall.toml"
                )
                continue
            code, reply = self._command(f"RCPT TO:<{written}>")
            if code // 100 == 2:
                willing[address] = reply
            elif code // 100 == 5 and code != _TOO_MANY_RECIPIENTS:
                answer.refused[address] = reply
            else:
                answer.deferred[address] = reply
        return answer, willing

    def _command(self, line: str) -> tuple[int, str]:
        code, text = self._text(*self._smtp.docmd(line))
        if code == _CLOSING:
            raise smtplib.SMTPServerDisconnected(text)
        return code, text

    def _text(self, code: int, reply: bytes) -> tuple[int, str]:
        said = _clean(reply.decode("utf-8", "replace"), self._settings)
        return code, f"{code} {said}"


def envelope_address(address: str) -> str | None:
    """The address as it is given to a server, or None where it cannot be (RFC 5321, ASCII only).

    A domain beyond ASCII has an ASCII form (RFC 3490); a local part has none. Space, controls and
    angle brackets could end the command and begin another, so an address with them is not sent.
    """
    local, _at, domain = address.rpartition("@")
    try:
        written = f"{local}@{domain.encode('idna').decode('ascii')}"
    except UnicodeError:
        return None
    return written if _ADDRESS.fullmatch(written) else None


def _settle(answer: Answer, willing: dict[str, str], code: int, reply: str) -> None:
    """The reply to DATA or to its end holds for everyone the server was willing to take."""
    if code // 100 == 2:
        part = answer.accepted
    else:
        part = answer.refused if code // 100 == 5 else answer.deferred
    part.update(dict.fromkeys(willing, reply))


def _dotted(message: bytes) -> bytes:
    """The message with every line ended by CRLF and leading dots doubled (RFC 5321, 4.5.2)."""
    lines = re.sub(rb"\r\n|\r|\n", b"\r\n", message)
    lines = re.sub(rb"(?m)^\.", b"..", lines)
    return lines if lines.endswith(b"\r\n") else lines + b"\r\n"


def _connected(s: MailSettings) -> smtplib.SMTP:
    port = s.port or _PORTS[s.security]
    if s.security == "tls":
        return smtplib.SMTP_SSL(s.host, port, timeout=s.timeout_s, context=_tls(s))
    return smtplib.SMTP(s.host, port, timeout=s.timeout_s)


def _tls(settings: MailSettings) -> ssl.SSLContext:
    return ssl.create_default_context(cafile=settings.ca_file)


def _said(error: Exception, settings: MailSettings) -> str:
    if isinstance(error, smtplib.SMTPResponseException):
        raw = error.smtp_error
        text = raw.decode("utf-8", "replace") if isinstance(raw, bytes) else str(raw)
        return _clean(f"{error.smtp_code} {text}", settings)
    return _clean(str(error) or type(error).__name__, settings)


def _clean(text: str, settings: MailSettings) -> str:
    """One line of printable text, shortened; a server that echoes the password is not repeated."""
    for secret in _as_sent(settings):
        text = text.replace(secret, "***")
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:_SHOWN]


def _as_sent(settings: MailSettings) -> Iterator[str]:
    """The password, and the forms in which AUTH PLAIN and LOGIN send it (RFC 4616, RFC 4954)."""
    if settings.password:
        plain = f"\0{settings.username}\0{settings.password}"
        for secret in (plain, settings.password):
            yield b64encode(secret.encode()).decode("ascii")
            yield secret


def _quit(smtp: smtplib.SMTP) -> None:
    try:
        if smtp.sock is not None:
            smtp.quit()
    except (OSError, smtplib.SMTPException):
        smtp.close()
