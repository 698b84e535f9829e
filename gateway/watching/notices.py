"""Telling operators that the gateway itself is the problem: by mail and by syslog.

Mail goes straight to the server and not through the records' outbox, because the records may be
what is away. A notice that cannot be sent stays due and is tried again; its Message-ID is made of
what it tells, so that a repetition after a crash is the same mail. Syslog (RFC 5424 over UDP, RFC
5426) is sent once, at the change itself, and also while no mail goes out.
"""

from __future__ import annotations

import email.policy
import logging
import os
import socket
import textwrap
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from email.message import EmailMessage
from queue import Empty, SimpleQueue
from typing import Final

from gateway.mail.smtp import ConnectionLost, HandoverUnknown, MailServerDown, SmtpTransport
from gateway.watching.conditions import CONDITIONS, Condition, lasting
from gateway.watching.episodes import Change, Episode, EpisodeBook, Notice, Telling
from gateway.worker import Worker

__all__ = ["Messenger", "Place", "condition_of", "mail_of", "sentence_of", "syslog_of"]

log = logging.getLogger(__name__)

_BY_SLUG: Final = {c.slug: c for c in CONDITIONS}
_FACILITY_DAEMON: Final = 3  # RFC 5424, table 1
_ERROR, _NOTICE = 3, 5  # RFC 5424, table 2
_LOOK_EVERY_S: Final = 5.0
_PAUSES_S: Final = (30.0, 60.0, 120.0, 300.0)
_ONE_MAIL_S: Final = 600.0  # RFC 5321, 4.5.3.2.6
_WIDTH: Final = 76
_SYSLOG_BYTES: Final = 1180  # RFC 5426, 3.2: fits the smallest MTU of IPv6


@dataclass(frozen=True)
class Place:
    """Which gateway is meant: the fleet's name, its host and data directory."""

    fleet: str
    host: str
    data_dir: str


def condition_of(episode: Episode) -> Condition:
    """The condition that the episode is one of."""
    return _BY_SLUG[episode.slug]


def sentence_of(episode: Episode) -> str:
    """One line for the log: what is wrong since when, value against limit, what to do."""
    condition = condition_of(episode)
    if not episode.standing:
        return f"{condition.title}: over since {_utc(episode.over_ms or 0)}."
    why = f" {episode.why}" if episode.why else ""
    return (
        f"The gateway itself has a problem. {condition.title} since {_utc(episode.since_ms)}: "
        f"{episode.value}; limit {episode.limit}.{why} {condition.means} {condition.action}"
    )


def mail_of(
    notice: Notice, place: Place, from_address: str, to: Sequence[str], now_ms: int
) -> EmailMessage:
    """The mail of a notice. The notices of one episode make a thread."""
    episode, telling = notice
    condition = condition_of(episode)
    domain = from_address.rpartition("@")[2]
    thread = f"{episode.slug}-{_slugged(place.host)}"
    message = EmailMessage(policy=email.policy.SMTP.clone(cte_type="7bit"))
    over = telling is not Telling.STANDING
    mark = "GATEWAY OK" if over else "GATEWAY"
    state = {"standing": "", "over": ": over", "passed": ": passed"}[telling]
    message["Subject"] = f"[{mark}] {condition.title}{state} ({_one_line(place.fleet)})"
    message["From"] = from_address
    message["To"] = ", ".join(to)
    message["Date"] = datetime.fromtimestamp(now_ms / 1000, UTC)
    message["Message-ID"] = f"<watch-{thread}-{episode.raised_ms}-{telling}@{domain}>"
    if telling is Telling.OVER:
        first = f"<watch-{thread}-{episode.raised_ms}-{Telling.STANDING}@{domain}>"
        message["In-Reply-To"] = message["References"] = first
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834
    message.set_content(_body(episode, telling, condition, place))
    return message


def syslog_of(change: Change, place: Place, now_ms: int) -> bytes:
    """The change as one syslog message (RFC 5424, section 6)."""
    priority = 8 * _FACILITY_DAEMON + (_ERROR if change.began else _NOTICE)
    at = datetime.fromtimestamp(now_ms / 1000, UTC).isoformat(timespec="milliseconds")
    host = _slugged(place.host) or "-"
    head = f"<{priority}>1 {at.replace('+00:00', 'Z')} {host} basinward {os.getpid()} "
    text = _one_line(sentence_of(change.episode))
    whole = f"{head}{change.episode.slug} - \ufeff{text}".encode()
    return whole[:_SYSLOG_BYTES].decode("utf-8", "ignore").encode()


class Messenger(Worker):
    """Sends what the episodes' book says is due, in a thread of its own.

    ``to`` gives the addresses at the moment of sending; where there are none, the log has told it.
    ``syslog`` tells where syslog messages go, None for nowhere.
    """

    def __init__(
        self,
        book: EpisodeBook,
        transport: SmtpTransport,
        to: Callable[[], Sequence[str]],
        place: Callable[[], Place],
        clock_ms: Callable[[], int],
        *,
        syslog: Callable[[], tuple[str, int] | None] = lambda: None,
        pauses_s: Sequence[float] = _PAUSES_S,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """Prepare; :meth:`start` starts."""
        super().__init__("messenger")
        self._book = book
        self._transport = transport
        self._to = to
        self._place = place
        self._clock_ms = clock_ms
        self._syslog = syslog
        self._pauses_s = pauses_s
        self._monotonic_s = monotonic_s
        self._changes: SimpleQueue[Change | None] = SimpleQueue()
        self._failures = 0
        self._retry_s = 0.0

    def tell(self, changes: Sequence[Change]) -> None:
        """These episodes have begun or ended. Any thread may call this; does not wait."""
        for change in changes:
            self._changes.put(change)

    def stop(self) -> None:
        """End after the mail under way."""
        super().stop()
        self._changes.put(None)

    def run(self) -> None:
        """Until stopped: syslog at each change, mail as long as any is due."""
        while not self.stopping.is_set():
            self.pulse.beat(_LOOK_EVERY_S)
            self._take_changes()
            self.send_due()

    def send_due(self) -> None:
        """Send the mails that are due, unless a failed attempt was a short while ago."""
        notices = self._book.due(self._clock_ms())
        if not notices or (self._failures and self._monotonic_s() < self._retry_s):
            return
        to = tuple(dict.fromkeys(self._to()))
        if not to:
            for notice in notices:
                self._book.told(notice, self._clock_ms())
            return
        try:
            with self._transport.session() as session:
                for notice in notices:
                    if self.stopping.is_set():
                        return
                    self.pulse.beat(_ONE_MAIL_S)
                    sender, now_ms = self._transport.settings.from_address, self._clock_ms()
                    message = mail_of(notice, self._place(), sender, to, now_ms)
                    answer = session.send(message.as_bytes(), to, lambda: None)
                    for address, reply in answer.refused.items():
                        log.error(
                            "The mail server refused %s for good (%s). Correct operators under "
                            "[watch], or ask who runs the server.", address, reply,
                        )  # fmt: skip
                    if answer.deferred and not answer.accepted:
                        raise MailServerDown("; ".join(set(answer.deferred.values())))
                    self._book.told(notice, now_ms)
            self._failures = 0
        except (MailServerDown, ConnectionLost, HandoverUnknown) as error:
            if not self._failures:
                log.warning("A notice of the gateway's own trouble waits: %s", error)
            pause_s = self._pauses_s[min(self._failures, len(self._pauses_s) - 1)]
            self._retry_s = self._monotonic_s() + pause_s
            self._failures += 1

    def _take_changes(self) -> None:
        """What has changed, waiting a while for the first."""
        try:
            change = self._changes.get(timeout=_LOOK_EVERY_S)
            while True:
                if change is not None and (server := self._syslog()) is not None:
                    self._send_syslog(change, server)
                change = self._changes.get_nowait()
        except Empty:
            pass

    def _send_syslog(self, change: Change, to: tuple[str, int]) -> None:
        datagram = syslog_of(change, self._place(), self._clock_ms())
        try:
            family, kind, protocol, _, address = socket.getaddrinfo(*to, type=socket.SOCK_DGRAM)[0]
            with socket.socket(family, kind, protocol) as udp:
                udp.settimeout(_LOOK_EVERY_S)
                udp.sendto(datagram, address)
        except OSError as error:
            log.warning("The syslog server %s:%d was not told: %s", *to, error)


def _body(episode: Episode, telling: Telling, condition: Condition, place: Place) -> str:
    rows = [("Since", _utc(episode.since_ms))]
    if not episode.standing:
        over_ms = episode.over_ms or 0
        lasted = lasting(max(0, over_ms - episode.since_ms) / 1000)
        rows.append(("Over since", f"{_utc(over_ms)}, after {lasted}"))
    rows += [("Last value" if not episode.standing else "Value", episode.value)]
    rows.append(("Limit", episode.limit))
    if episode.why:
        rows.append(("Reason", _one_line(episode.why)))
    if episode.times > 1:
        rows.append(("Came", f"{episode.times} times; mail about it every four hours at most"))
    if telling is not Telling.OVER:
        rows += [("Means", condition.means), ("What to do", condition.action)]
    head = {
        Telling.STANDING: "The gateway itself has a problem",
        Telling.OVER: "This problem of the gateway is over",
        Telling.PASSED: "The gateway itself had a problem, which could not be told while it stood",
    }.get(telling, "")
    foot = (
        f"This is about the gateway of '{_one_line(place.fleet)}' on {_one_line(place.host)} (data "
        f"in {place.data_dir}), not about a condenser."
    )
    wrapped = [
        textwrap.fill(text, _WIDTH, initial_indent=f"{name + ':':12} ", subsequent_indent=13 * " ")
        for name, text in rows
    ]
    title = f"{head}: {condition.title[0].lower()}{condition.title[1:]}."
    return "\n".join(
        [textwrap.fill(title, _WIDTH), "", *wrapped, "", textwrap.fill(foot, _WIDTH), ""]
    )


def _utc(time_ms: int) -> str:
    return datetime.fromtimestamp(time_ms / 1000, UTC).strftime("%Y-%m-%d %H:%M:%SZ")


def _one_line(text: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _slugged(host: str) -> str:
    return "".join(c if c.isascii() and (c.isalnum() or c in "-.") else "-" for c in host)[:200]
