"""Sends the outbox's webhook calls and keeps an account of each, as the outbox of mail does.

Every attempt is recorded; what fails is tried again with growing pauses and no limit of attempts. A
call is given up only where the receiver says that this event can never be taken. As a crash or a
broken connection may hide the answer, an event may come twice; its ``id`` is then the same. A
receiver that fails rests for a while as a whole, so that thousands of waiting events neither knock
it down again nor keep other receivers waiting.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Final

from gateway.channels.cloud_event import CONTENT_TYPE
from gateway.channels.signing import signed
from gateway.channels.webhook import (
    CallAnswer,
    CallFailed,
    CallUnknown,
    WebhookSettings,
    call,
)
from gateway.mail.outbox import Backoff, PumpResult
from gateway.mail.parcel_notice import notice_of
from gateway.records.outbox import OutboxStore, Parcel, Settlement
from gateway.records.rows import AttemptOutcome, OutboxState
from gateway.tickets.notice import TicketNotice

__all__ = ["WebhookOutbox"]

_NEVER: Final = frozenset({400, 410, 413, 415, 422})
"""Statuses that are about this event, or say that nothing is wanted any more (RFC 9110, 15.5)."""


@dataclass
class _Rest:
    """How often a receiver failed in a row, and until when it is left alone."""

    failures: int = 0
    until_ms: int = 0
    why: str = ""


class WebhookOutbox:
    """Makes due calls. To be used by one thread of one process at a time.

    ``webhooks`` gives the webhooks by name at the moment; ``make_event`` the body of a notice.
    ``on_refused`` is told, in a sentence, of each event that was given up, ``on_receiver`` once
    when a receiver begins to fail and, with True, when it takes events again.
    """

    def __init__(
        self,
        store: OutboxStore,
        webhooks: Callable[[], Mapping[str, WebhookSettings]],
        make_event: Callable[[TicketNotice], bytes],
        *,
        on_receiver: Callable[[bool, str], None] = lambda _up, _why: None,
        on_refused: Callable[[str], None] = lambda _why: None,
        backoff: Backoff | None = None,
        rest: Backoff | None = None,
        batch: int = 50,
    ) -> None:
        """Prepare; nothing is read or sent before the first :meth:`pump`."""
        self._store = store
        self._webhooks = webhooks
        self._make_event = make_event
        self._on_receiver = on_receiver
        self._on_refused = on_refused
        self._backoff = backoff or Backoff()
        self._rest = rest or Backoff(first_ms=5_000, longest_ms=5 * 60_000)
        self._batch = batch
        self._recovered = False
        self._resting: dict[str, _Rest] = {}

    def pump(self, now_ms: int, stop: Callable[[], bool] = lambda: False) -> PumpResult:
        """Make the calls that are due, at most a batch, ending early where ``stop`` says so."""
        start_s = time.monotonic()

        def clock_ms() -> int:
            return now_ms + int(1000 * (time.monotonic() - start_s))

        recovered = 0
        if not self._recovered:
            recovered = self._store.recover(now_ms)
            self._recovered = True
        tally = Counter[OutboxState]()
        refused = 0
        try:
            for name, rest in self._resting.items():
                if self._rests(name, now_ms):
                    self._store.postpone(name, now_ms, rest.until_ms, rest.why)
            for due in self._store.due(now_ms, self._batch, self._backoff.longest_ms):
                if stop():
                    break
                name = due.addresses[0] if due.addresses else ""
                if self._rests(name, clock_ms()):
                    continue  # it is put off, with all that wait for it, at the next pump
                parcel = self._store.claim(due.id, clock_ms())
                if parcel is None:
                    continue
                settlement = self._attempt(parcel, name, clock_ms)
                tally[self._store.settle(parcel, settlement, clock_ms())] += 1
                if settlement.refused:
                    refused += 1
                    self._on_refused(
                        f"Ticket {parcel.ticket}: the webhook {name} refused its event for good "
                        f"({settlement.reply}). Ask who runs the receiver; the ticket stands in "
                        "`basinward tickets`."
                    )
        except BaseException:
            self._recovered = False  # a call may be under way: the next pump sees to it
            raise
        return PumpResult(
            accepted=tally[OutboxState.ACCEPTED],
            deferred=tally[OutboxState.PENDING],
            refused=refused,
            recovered=recovered,
            next_ms=self._store.next_due_ms(),
        )

    def _attempt(self, parcel: Parcel, name: str, clock_ms: Callable[[], int]) -> Settlement:
        retry_ms = clock_ms() + self._backoff.pause_ms(parcel.attempt)
        failed = partial(Settlement, retry_ms=retry_ms)
        settings = self._webhooks().get(name)
        if settings is None:
            reply = f"There is no webhook '{name}' in oncall.toml any more."
            return failed(AttemptOutcome.REFUSED, reply, refused={name: reply})
        try:
            body = self._make_event(notice_of(parcel, ""))
        except Exception as error:  # noqa: BLE001  # one bad event must not keep others waiting
            reply = (
                f"The event cannot be made ({type(error).__name__}: {error}). It is tried again."
            )
            return failed(AttemptOutcome.NOT_RENDERED, reply)
        headers = signed(
            settings.url, CONTENT_TYPE, body,
            secret=settings.secret, key_id=name, created_s=clock_ms() // 1000,
        )  # fmt: skip
        headers |= {"User-Agent": "basinward", "Connection": "close", "Accept-Encoding": "identity"}
        try:
            answer = call(settings, body, headers, partial(self._store.handing_over, parcel.id))
        except (CallFailed, CallUnknown) as error:
            self._has_failed(name, str(error), clock_ms())
            unknown = isinstance(error, CallUnknown)
            outcome = AttemptOutcome.UNKNOWN if unknown else AttemptOutcome.DEFERRED
            return failed(outcome, str(error), unknown=unknown)
        return self._settled(name, answer, failed, clock_ms())

    def _settled(
        self, name: str, answer: CallAnswer, failed: Callable[..., Settlement], now_ms: int
    ) -> Settlement:
        if answer.status // 100 == 2:
            self._has_answered(name)
            return failed(AttemptOutcome.ACCEPTED, answer.reply, accepted={name: answer.reply})
        if answer.status in _NEVER:
            self._has_answered(name)
            return failed(AttemptOutcome.REFUSED, answer.reply, refused={name: answer.reply})
        why = answer.reply
        if answer.status // 100 == 3:
            why = f"{why} (redirects are not followed: correct url in oncall.toml)"
        self._has_failed(name, why, now_ms, answer.retry_after_s)
        return failed(AttemptOutcome.DEFERRED, why, deferred={name: why})

    def _rests(self, name: str, now_ms: int) -> bool:
        rest = self._resting.get(name)
        # A longer rest than there is means that the clock was set back: then it is over.
        return rest is not None and 0 < rest.until_ms - now_ms <= self._backoff.longest_ms

    def _has_failed(
        self, name: str, why: str, now_ms: int, retry_after_s: int | None = None
    ) -> None:
        rest = self._resting.setdefault(name, _Rest())
        rest.failures += 1
        pause_ms = self._rest.pause_ms(rest.failures)
        if retry_after_s is not None:
            pause_ms = max(pause_ms, 1000 * retry_after_s)
        rest.until_ms, rest.why = now_ms + pause_ms, why
        if rest.failures == 1:
            self._on_receiver(
                False,
                f"The webhook {name} takes no events: {why}. They are kept and sent later; see "
                "that the receiver runs, and check url and secret in oncall.toml.",
            )

    def _has_answered(self, name: str) -> None:
        if self._resting.pop(name, None) is not None:
            self._on_receiver(True, f"The webhook {name} takes events again.")
