"""The outbox: sends the mails that the records hold, and keeps a true account of each.

What SMTP can promise: a message is the server's from its 2xx reply to the end of the data
(RFC 5321, 4.1.1.4), and no sooner. If program or connection end between that line and its reply,
nobody can know whether the server has it (RFC 1047). So each mail goes through phases that are
committed one by one:

- *sending*, before anything is said to the server. After a crash: not delivered, sent again.
- *handing over*, just before the end-of-data line. After a crash: unknown. It is sent again, since
  a lost ticket is worse than a doubled one, and marked ``possibly_duplicate``. The Message-ID is
  the same, so a mail client or server that folds equal messages shows one.
- *accepted*, committed at once after the reply. Never sent again.

That is: exactly once everywhere but in that window, at least once inside it. Temporary refusals
are tried again with growing pauses and no limit of attempts; a mail is given up for a recipient
only when the server refuses that recipient, or the message, for good (5xx).
"""

from __future__ import annotations

import time
from collections import Counter, deque
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import EmailPolicy
from functools import partial
from typing import Final

from gateway.mail.allowance import Allowance
from gateway.mail.letter_mail import letter_mail
from gateway.mail.parcel_notice import notice_of
from gateway.mail.smtp import (
    Answer,
    ConnectionLost,
    HandoverUnknown,
    MailServerDown,
    SmtpSession,
    SmtpTransport,
    envelope_address,
)
from gateway.mail.waiting_list import waiting_list
from gateway.records.outbox import Due, OutboxStore, Parcel, Settlement
from gateway.records.rows import AttemptOutcome, Channel, OutboxState
from gateway.records.session import RecordsUnavailable
from gateway.tickets.notice import Recipient, Render, TicketNotice

__all__ = ["Backoff", "Outbox", "PumpResult", "serialised"]

_LOSSES_IN_A_ROW: Final = 3


@dataclass(frozen=True)
class Backoff:
    """Pauses that double from ``first_ms`` up to ``longest_ms``."""

    first_ms: int = 30_000
    longest_ms: int = 30 * 60_000  # RFC 5321, 4.5.4.1: the usual interval between attempts

    def pause_ms(self, failures: int) -> int:
        """The pause after the given number of failures in a row, 1 or more."""
        return min(self.first_ms << min(max(failures - 1, 0), 20), self.longest_ms)


@dataclass(frozen=True)
class PumpResult:
    """What one pump did. ``next_ms`` is when the next is worth while (None: when mail is added).

    ``deferred`` mails wait for another attempt; ``refused`` mails are given up for at least one
    recipient. ``server_down`` is the reason why no connection could be had, empty if it could.
    """

    accepted: int = 0
    deferred: int = 0
    refused: int = 0
    recovered: int = 0
    server_down: str = ""
    next_ms: int | None = None


class Outbox:
    """Sends due mails. To be used by one thread of one process at a time.

    ``render`` makes the mail of a notice, ``text`` its short text; without one no text is sent.
    ``allowance`` limits what an address gets in an hour (None: nothing does). ``on_server`` is
    called once when the server is found down, with True when it is up again, and the reason.
    ``on_refused`` is called with a sentence for each mail that was given up for somebody.
    """

    def __init__(
        self,
        store: OutboxStore,
        transport: SmtpTransport,
        render: Render,
        *,
        text: Render | None = None,
        allowance: Allowance | None = None,
        on_server: Callable[[bool, str], None] = lambda _up, _why: None,
        on_refused: Callable[[str], None] = lambda _why: None,
        backoff: Backoff | None = None,
        server_backoff: Backoff | None = None,
        batch: int = 50,
    ) -> None:
        """Prepare; nothing is read or sent before the first :meth:`pump`."""
        self._store = store
        self._transport = transport
        self._render = render
        self._text = text
        self._allowance = allowance
        self._on_server = on_server
        self._on_refused = on_refused
        self._backoff = backoff or Backoff()
        self._server_backoff = server_backoff or Backoff(first_ms=5_000, longest_ms=5 * 60_000)
        self._batch = batch
        self._recovered = False
        self._server_failures = 0
        self._server_retry_ms = 0
        self._unsettled: tuple[Parcel, Settlement] | None = None

    def pump(self, now_ms: int, stop: Callable[[], bool] = lambda: False) -> PumpResult:
        """Send what is due, at most a batch, ending early after a mail where ``stop`` says so.

        Raises :class:`RecordsUnavailable` where the records cannot be written; what the server has
        said by then is remembered, written down first at the next pump, and never asked twice.
        """
        clock = _Clock(now_ms)
        if self._unsettled is not None:
            self._settle(*self._unsettled, clock)
        recovered = 0
        if not self._recovered:
            recovered = self._store.recover(now_ms)
            if self._allowance is not None:
                self._allowance.begin(now_ms)
            self._recovered = True
        pause_ms = self._server_retry_ms - now_ms
        # A longer pause than there is means that the clock was set back: then it is over.
        if self._server_failures and 0 < pause_ms <= self._server_backoff.longest_ms:
            return PumpResult(recovered=recovered, next_ms=self._server_retry_ms)
        if self._allowance is not None:
            self._allowance.hold_back(now_ms, self._domain)
        due = self._store.due(now_ms, self._batch, self._backoff.longest_ms)
        try:
            result = self._send_all(due, clock, stop) if due else PumpResult()
        except BaseException:
            # A mail may be under way, also one whose claim was committed although its connection
            # broke meanwhile: the next pump sees to it.
            self._recovered = False
            raise
        next_ms = self._server_retry_ms if result.server_down else self._next_ms(clock)
        return replace(result, recovered=recovered, next_ms=next_ms)

    @property
    def _domain(self) -> str:
        return self._transport.settings.from_address.rpartition("@")[2]

    def _next_ms(self, clock: _Clock) -> int | None:
        times = [self._store.next_due_ms()]
        if self._allowance is not None:
            times.append(self._allowance.next_list_ms(clock.now_ms))
        return min((t for t in times if t is not None), default=None)

    def _send_all(self, due: list[Due], clock: _Clock, stop: Callable[[], bool]) -> PumpResult:
        tally = Counter[OutboxState]()
        refused = losses = 0
        down = ""
        queue = deque(due)
        with ExitStack() as stack:
            session: SmtpSession | None = None
            while queue and not stop():
                if session is None or not session.usable:
                    try:
                        session = stack.enter_context(self._transport.session())
                    except MailServerDown as error:
                        down = str(error)
                        break
                one = queue.popleft()
                allowed = self._allowed(one, clock)
                if not allowed and one.addresses:
                    continue  # it is put off, with all that wait like it, at the next pump
                parcel = self._store.claim(one.id, clock.now_ms, allowed)
                if parcel is None:
                    continue
                answered = session.answered
                settlement = self._attempt(session, parcel, clock)
                if self._allowance is not None:
                    self._allowance.served(one, settlement.accepted, clock.now_ms)
                    if settlement.accepted and not settlement.deferred and allowed != one.addresses:
                        again_ms = self._allowance.again_ms(clock.now_ms)
                        self._allowance.kept_waiting(one, set(one.addresses) - set(allowed))
                        settlement = replace(settlement, retry_ms=again_ms)
                tally[self._settle(parcel, settlement, clock)] += 1
                refused += bool(settlement.refused)
                if session.answered > answered:
                    losses = 0
                    self._server_is_up()
                elif not session.usable and settlement.retry_ms <= clock.now_ms:
                    queue.append(one)  # a fresh connection may serve where this one ended
                elif not session.usable:
                    losses += 1
                    if losses == _LOSSES_IN_A_ROW:
                        down = settlement.reply
                        break
        if down:
            self._server_is_down(down, clock)
        return PumpResult(
            accepted=tally[OutboxState.ACCEPTED],
            deferred=tally[OutboxState.PENDING],
            refused=refused,
            server_down=down,
        )

    def _allowed(self, due: Due, clock: _Clock) -> tuple[str, ...]:
        if self._allowance is None:
            return due.addresses
        return self._allowance.allowed(due, clock.now_ms)

    def _made(self, parcel: Parcel, notice: TicketNotice) -> EmailMessage:
        if parcel.letter is not None:
            return letter_mail(parcel.letter)
        if parcel.channel is Channel.LIST:
            return waiting_list(parcel, self._allowance.per_hour if self._allowance else 0)
        if parcel.channel is Channel.TEXT:
            if self._text is None:
                msg = "no short texts can be made here"
                raise LookupError(msg)
            return self._text(notice)
        return self._render(notice)

    def _attempt(self, session: SmtpSession, parcel: Parcel, clock: _Clock) -> Settlement:
        failed = partial(Settlement, retry_ms=clock.now_ms + self._backoff.pause_ms(parcel.attempt))
        try:
            settings = self._transport.settings
            notice = notice_of(parcel, settings.from_address, settings.reply_to)
            data = serialised(self._made(parcel, notice), notice)
        except Exception as error:  # noqa: BLE001  # one bad mail must not keep the others waiting
            reply = f"The mail cannot be made ({type(error).__name__}: {error}). It is tried again."
            return failed(AttemptOutcome.NOT_RENDERED, reply)
        answered = session.answered
        try:
            answer = session.send(
                data, parcel.remaining, partial(self._store.handing_over, parcel.id)
            )
        except ConnectionLost as error:
            if answered:
                return Settlement(AttemptOutcome.DEFERRED, str(error), clock.now_ms)
            return failed(AttemptOutcome.DEFERRED, str(error))
        except HandoverUnknown as error:
            return failed(AttemptOutcome.UNKNOWN, str(error), unknown=True)
        except RecordsUnavailable as error:
            self._unsettled = (parcel, failed(AttemptOutcome.DEFERRED, str(error)))
            raise
        return _settlement(answer, failed)

    def _settle(self, parcel: Parcel, settlement: Settlement, clock: _Clock) -> OutboxState:
        self._unsettled = (parcel, settlement)
        after = self._store.settle(parcel, settlement, clock.now_ms)
        self._unsettled = None
        for address, reply in settlement.refused.items():
            about = f"Ticket {parcel.ticket}" if parcel.letter is None else parcel.letter.subject
            self._on_refused(
                f"{about}: the mail server refused {address} for good ({reply}). "
                "Correct the address in oncall.toml, or ask who runs the server."
            )
        return after

    def _server_is_down(self, why: str, clock: _Clock) -> None:
        self._server_failures += 1
        pause_ms = self._server_backoff.pause_ms(self._server_failures)
        self._server_retry_ms = clock.now_ms + pause_ms
        if self._server_failures == 1:
            self._on_server(False, why)
            self._store.note_delay(why, clock.now_ms)

    def _server_is_up(self) -> None:
        if self._server_failures:
            self._server_failures = 0
            self._on_server(True, f"The mail server {self._transport.settings.server} is back.")


class _Clock:
    """The caller's time, moved on by what the sending takes."""

    def __init__(self, now_ms: int) -> None:
        self._start_ms = now_ms
        self._start = time.monotonic()

    @property
    def now_ms(self) -> int:
        return self._start_ms + int(1000 * (time.monotonic() - self._start))


class _WirePolicy(EmailPolicy):
    """How a message goes over the wire: CRLF, seven bits, and identifiers left in one piece.

    The standard library would break a long identifier by encoding it, and the thread with it.
    """

    def fold_binary(self, name: str, value: str) -> bytes:
        if name.lower() in _IDENTIFIERS:
            folded = "\r\n ".join(value.split())
            return f"{name}: {folded}\r\n".encode("ascii", "replace")
        return super().fold_binary(name, value)


_IDENTIFIERS: Final = frozenset({"message-id", "in-reply-to", "references"})
_POLICY: Final = _WirePolicy(linesep="\r\n", cte_type="7bit")


def serialised(message: EmailMessage, notice: TicketNotice) -> bytes:
    """The message as it goes over the wire, with the notice's identifiers and addresses.

    The identifiers are always the notice's, or threads would break; From, To, Cc, Reply-To and Date
    are filled in where the renderer left them out.
    """
    forced = {
        "Message-ID": notice.message_id,
        "In-Reply-To": notice.in_reply_to,
        "References": " ".join(notice.references),
    }
    for name, value in forced.items():
        if message.get(name, "") != value:
            del message[name]
            if value:
                message[name] = value
    sent = datetime.fromtimestamp(notice.date_ms / 1000, UTC)
    filled = {
        "From": notice.from_address,
        "To": _addresses(notice.to),
        "Cc": _addresses(notice.cc),
        "Reply-To": notice.reply_to,
        "Date": sent,
        # RFC 3834: keeps out-of-office answers away.
        "Auto-Submitted": "auto-generated",
    }
    for name, content in filled.items():
        if content and name not in message:
            message[name] = content
    return message.as_bytes(policy=_POLICY)


def _addresses(people: tuple[Recipient, ...]) -> list[Address]:
    """Header addresses; one that cannot be written is left out, and refused when sending."""
    return [
        Address(_one_line(p.name), addr_spec=p.email) for p in people if envelope_address(p.email)
    ]


def _one_line(text: str) -> str:
    # "=?" would begin an encoded word (RFC 2047, 2), in which header syntax could hide.
    shown = "".join(c if c.isprintable() else " " for c in text.replace("=?", "= ?"))
    return " ".join(shown.split())


def _settlement(answer: Answer, failed: Callable[..., Settlement]) -> Settlement:
    if answer.deferred:
        outcome, replies = AttemptOutcome.DEFERRED, answer.deferred
    elif answer.accepted:
        outcome, replies = AttemptOutcome.ACCEPTED, answer.accepted
    else:
        outcome, replies = AttemptOutcome.REFUSED, answer.refused
    reply = "; ".join(dict.fromkeys(replies.values()))
    return failed(
        outcome,
        reply,
        accepted=answer.accepted,
        refused=answer.refused,
        deferred=answer.deferred,
    )
