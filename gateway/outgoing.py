"""What goes out of the gateway: mails, short texts and webhook calls.

Owns the threads that send them, and how a notice becomes a message, by the configuration of the
moment; the records decide what is sent, and when.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from email.message import EmailMessage
from pathlib import Path
from typing import Final

from gateway.board.mail_links import mail_links
from gateway.channels.calls import WebhookOutbox
from gateway.channels.cloud_event import cloud_event
from gateway.channels.short_text import short_text_mail
from gateway.config import Configuration
from gateway.mail.allowance import Allowance
from gateway.mail.outbox import Outbox
from gateway.mail.smtp import SmtpTransport
from gateway.mail.worker import OutboxWorker
from gateway.pulse import Pulse
from gateway.records.records import Records
from gateway.telemetry.base import TelemetryStore
from gateway.tickets.chart_reader import ChartReader
from gateway.tickets.notice import TicketNotice
from gateway.tickets.render import MailRenderer
from gateway.tickets.sheet_maker import SheetMaker
from rules.faults.registry import FAULTS

__all__ = ["Outgoing"]

log = logging.getLogger(__name__)

_MAIL: Final = "outbox"
_CALLS: Final = "webhooks"


class Outgoing:
    """The outboxes of one gateway, at work from :meth:`start` on.

    Charts are drawn from ``store``; the keys that sign links lie in ``data_dir``. ``mail_trouble``
    says in words why no mail goes out, empty where it does.
    """

    def __init__(
        self,
        configuration: Configuration,
        records: Records,
        store: TelemetryStore,
        data_dir: Path,
        clock_ms: Callable[[], int],
    ) -> None:
        """Prepare; nothing is sent yet."""
        self.mail_trouble = ""
        self._configuration = configuration
        self._records = records
        self._data_dir = data_dir
        self._figures = ChartReader(store)
        self._make_sheet = SheetMaker()
        self._renderer = self.renderer(configuration)
        outbox = Outbox(
            records.outbox_store,
            SmtpTransport(configuration.mail),
            self._mail,
            text=self._short_text,
            allowance=Allowance(records.allowance_store, configuration.mail.hourly_limit),
            on_server=self._mail_server_told,
            on_refused=_log_error,
        )
        calls = WebhookOutbox(
            records.webhook_store,
            lambda: self._configuration.webhooks,
            self._event,
            on_receiver=_log_turn,
            on_refused=_log_error,
        )
        self._outbox = OutboxWorker(outbox, clock_ms, _log_error, _MAIL)
        self._calls = OutboxWorker(calls, clock_ms, _log_error, _CALLS)
        records.on_mail = self._wake

    @property
    def pulses(self) -> tuple[Pulse, ...]:
        """Those of the threads."""
        return self._outbox.pulse, self._calls.pulse

    def start(self) -> None:
        """Begin to send what is due."""
        self._outbox.start()
        self._calls.start()

    def stop(self, left_s: Callable[[], float]) -> dict[str, bool]:
        """End after the messages under way; which threads have ended in the time that is left."""
        ended = {
            "outbox": _stopped(self._outbox, left_s()),
            "webhooks": _stopped(self._calls, left_s()),
        }
        self._make_sheet.close()
        return ended

    def dead(self) -> list[str]:
        """Threads that have ended though they should not, which only a defect can do."""
        alive = {thread.name for thread in threading.enumerate()}
        parts = {_MAIL: "the outbox", _CALLS: "the webhooks"}
        return [what for name, what in parts.items() if name not in alive]

    def renderer(self, configuration: Configuration) -> MailRenderer:
        """What makes mails by a configuration; raises where its links cannot be signed."""
        return MailRenderer(
            configuration.sites, FAULTS, configuration.from_name,
            rules=configuration.rules, figures=self._figures,
            link=mail_links(configuration.board, self._data_dir, self._records.installation),
            board_url=configuration.board.public_url, make_sheet=self._make_sheet,
        )  # fmt: skip

    def use(self, configuration: Configuration, renderer: MailRenderer) -> None:
        """Go on with another configuration, and the renderer made of it."""
        self._configuration = configuration
        self._renderer = renderer

    def _mail(self, notice: TicketNotice) -> EmailMessage:
        return self._renderer(notice)

    def _short_text(self, notice: TicketNotice) -> EmailMessage:
        return short_text_mail(self._renderer.ticket(notice), notice)

    def _event(self, notice: TicketNotice) -> bytes:
        return cloud_event(self._renderer.ticket(notice), notice, self._records.installation)

    def _wake(self) -> None:
        self._outbox.wake()
        self._calls.wake()

    def _mail_server_told(self, up: bool, why: str) -> None:
        self.mail_trouble = "" if up else why
        _log_turn(up, why)


def _stopped(worker: OutboxWorker, timeout_s: float) -> bool:
    try:
        return worker.stop(timeout_s)
    except RuntimeError:  # it was never started
        return True


def _log_error(why: str) -> None:
    log.error("%s", why)


def _log_turn(up: bool, why: str) -> None:
    log.log(logging.WARNING if up else logging.ERROR, "%s", why)
