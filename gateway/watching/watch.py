"""The watch: looks at the gateway every few seconds, and raises the alarm when it is the problem.

It asks neither journal nor records, so it goes on while they hang; what they hold it takes from the
observer's last look. It gives the service manager signs of life only while every thread moves.
"""

from __future__ import annotations

import logging
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

from gateway.pulse import Pulse
from gateway.status import GatewayStatus
from gateway.watching.conditions import CONDITIONS, Sight, lasting
from gateway.watching.episodes import Change, EpisodeBook
from gateway.watching.health import Health, Reason, as_json, utc
from gateway.watching.metrics import Exposition
from gateway.watching.notices import Messenger, sentence_of
from gateway.watching.notify import ServiceManager
from gateway.watching.observer import Observer, Trouble
from gateway.watching.server import Answer, WatchServer
from gateway.watching.settings import WatchSettings
from gateway.worker import Worker

__all__ = ["Watch", "Watched"]

log = logging.getLogger(__name__)

_SHARE_OVER_S: Final = 600.0
"""Over how long the share of refused records is taken."""

_STUCK: Final = "thread-stuck"
_BIND_AGAIN_S: Final = 60.0
_OLD_LOOK_S: Final = 60.0
"""So old may the observer's last look be before it counts as a trouble of its own."""
_HELD_UP_FRAC: Final = 0.1
"""Of the limit of silence: a pipeline that stands still for longer may have messages in hand."""


@dataclass(frozen=True)
class Watched:
    """What the watch looks at beside the observer. ``pulses`` are those that must go on."""

    observer: Observer
    pulses: Sequence[Pulse]
    threads_gone: Callable[[], None]
    """Tells whoever runs the gateway of threads that have died unheard."""
    clock_ms: Callable[[], int]


class _Since:
    """Since when something has been so, seen from look to look."""

    def __init__(self) -> None:
        self._since_s: float | None = None

    def lasted_s(self, so: bool, now_s: float) -> float:
        if not so:
            self._since_s = None
            return 0.0
        if self._since_s is None:
            self._since_s = now_s
        return now_s - self._since_s


class Watch(Worker):
    """One look every ``every_s``, or more often where the service manager wants it so.

    :attr:`deaf` tells that every site has fallen silent at once, which says nothing of the sites.
    """

    def __init__(
        self,
        watched: Watched,
        settings: WatchSettings,
        book: EpisodeBook,
        messenger: Messenger,
        manager: ServiceManager,
        *,
        every_s: float = 5.0,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """Prepare; :meth:`start` starts."""
        super().__init__("watch")
        self._watched = watched
        self._observer = watched.observer
        self._settings = self._next_settings = settings
        self._book = book
        self._messenger = messenger
        self._manager = manager
        # A third of the watchdog's time leaves room for a look that comes late.
        self._every_s = min(every_s, manager.watchdog_s / 3) if manager.watchdog_s else every_s
        self._monotonic_s = monotonic_s
        now_s = monotonic_s()
        self._broker_away, self._journal_away = _Since(), _Since()
        self._looked_s = self._bound_s = now_s
        self._offset_s = watched.clock_ms() / 1000 - now_s
        self._messages = 0
        self._heard_s = now_s
        self._refused: deque[tuple[float, int, int]] = deque()
        self.deaf = False
        self._said = ""
        exposition = Exposition(lambda: self._observer.latest)
        self._pages = {
            "/health": lambda _accept: self._health_page("health"),
            "/health/live": lambda _accept: self._health_page("live"),
            "/health/ready": lambda _accept: self._health_page("ready"),
            "/metrics": lambda accept: _metrics_page(exposition, accept),
        }
        self.server = WatchServer(settings.address, settings.port, self._pages)

    def start(self) -> None:
        """Begin, and serve the pages if that is wanted."""
        if self._settings.serve:
            self.server.start()
        super().start()

    def use(self, settings: WatchSettings) -> None:
        """Go by other settings from the next look on."""
        self._next_settings = settings

    def _take_settings(self) -> None:
        before, self._settings = self._settings, self._next_settings
        now = self._settings
        where = (before.serve, before.address, before.port)
        if (now.serve, now.address, now.port) == where:
            return
        self.server.stop()
        self.server = WatchServer(now.address, now.port, self._pages)
        if now.serve:
            self.server.start()

    def run(self) -> None:
        """Look until stopped."""
        while not self.stopping.is_set():
            self.look()
            self.pulse.beat(self._every_s)
            self.stopping.wait(self._every_s)

    def close(self) -> None:
        """Serve no more."""
        self.server.stop()

    def look(self) -> list[Change]:
        """One look; what began or ended."""
        if self._next_settings is not self._settings:
            self._take_settings()
        now_s, now_ms = self._monotonic_s(), self._watched.clock_ms()
        elapsed_s, self._looked_s = now_s - self._looked_s, now_s
        self._watched.threads_gone()
        stuck = self._stuck()
        if not stuck:
            self._manager.alive()
        status = self._observer.latest
        changes: list[Change] = []
        if status is not None:
            sight = self._sight(status, now_s, now_ms)
            standing, settings = self._book.standing, self._settings
            found = [(c, c.judge(sight, settings, c.slug in standing)) for c in CONDITIONS]
            changes = self._book.look(found, now_ms, elapsed_s, settings.calm_s)
            self.deaf = any(c.slug == "all-sites-silent" and f is not None for c, f in found)
        for change in changes:
            _log(change)
        self._messenger.tell(changes)
        self._say(stuck)
        if self._settings.serve and now_s - self._bound_s >= _BIND_AGAIN_S:
            self._bound_s = now_s
            self.server.start()
        return changes

    def health(self) -> Health:
        """What is wrong at this moment. Asks nobody."""
        troubles = self._observer.troubles()
        stuck = [
            Reason(
                _STUCK,
                f"The thread '{name}' has stood still for {lasting(still_s)}, limit "
                f"{lasting(self._settings.stuck_after_s)}. Restart the gateway, and keep its log "
                "for a report of the defect.",
            )
            for name, still_s in self._stuck().items()
        ]
        other = [_reason(t) for t in troubles if not t.unready and not (stuck and t.kind == _STUCK)]
        if old := self._old_look():
            other.append(old)
        unready = [_reason(t) for t in troubles if t.unready]
        return Health(stuck, unready, other)

    def troubles(self) -> list[Trouble]:
        """What the watch itself has found: the alarms of its own that stand, and a taken port."""
        found = [
            Trouble(e.slug, sentence_of(e), since_ms=e.since_ms)
            for e in self._book.all
            if e.standing
        ]
        if self.server.why:
            found.append(Trouble("watch", self.server.why))
        return found

    # -- private ----------------------------------------------------------------------------

    def _stuck(self) -> dict[str, float]:
        limit_s = self._settings.stuck_after_s
        still = {p.name: p.still_s for p in self._watched.pulses}
        return {name: still_s for name, still_s in still.items() if still_s > limit_s}

    def _sight(self, status: GatewayStatus, now_s: float, now_ms: int) -> Sight:
        parts = self._observer.parts
        connected = parts.connected()
        journal = parts.pipeline.journal_outage
        messages = parts.pipeline.counts.messages
        held_up_s = _HELD_UP_FRAC * self._settings.all_silent_s
        at_work = (
            journal.standing or parts.intake.waiting or parts.pipeline.pulse.still_s > held_up_s
        )
        if messages != self._messages or not connected or at_work:
            # What arrives is counted when it is durable: a pipeline that is held up hears too. The
            # moments that it takes for the clock's own entries are no such thing.
            self._messages, self._heard_s = messages, now_s
        refused, records = self._refused_share(now_s)
        return Sight(
            status=status,
            broker_away_s=self._broker_away.lasted_s(not connected, now_s),
            broker_why="" if connected else parts.link(),
            journal_away_s=self._journal_away.lasted_s(journal.standing, now_s),
            journal_why=journal.why,
            store_why=parts.store_reader.outage.why,
            records_why=parts.rules.records_outage.why,
            mail_why=parts.mail_trouble(),
            unheard_s=now_s - self._heard_s,
            refused=refused,
            records=records,
            clock_step_s=self._clock_step_s(now_s, now_ms),
            still=self._stuck(),
        )

    def _clock_step_s(self, now_s: float, now_ms: int) -> float:
        """By how much the wall clock has moved against the one that only runs on."""
        offset_s = now_ms / 1000 - now_s
        step_s, self._offset_s = offset_s - self._offset_s, offset_s
        return step_s

    def _refused_share(self, now_s: float) -> tuple[int, int]:
        counts = self._observer.parts.pipeline.counts
        self._refused.append((now_s, counts.rejects, counts.rejects + counts.samples))
        while len(self._refused) > 1 and now_s - self._refused[1][0] >= _SHARE_OVER_S:
            self._refused.popleft()
        _, refused, records = self._refused[0]
        _, refused_now, records_now = self._refused[-1]
        return refused_now - refused, records_now - records

    def _old_look(self) -> Reason | None:
        status = self._observer.latest
        started_ms = self._observer.started_ms
        taken_ms = started_ms if status is None else status.now_ms
        age_s = (self._watched.clock_ms() - taken_ms) / 1000
        if age_s <= _OLD_LOOK_S:
            return None
        return Reason(
            "watch",
            f"The figures in /metrics are {lasting(age_s)} old, limit {lasting(_OLD_LOOK_S)}: the "
            "journal or the records do not answer. See that their disk or server works.",
            utc(taken_ms),
        )

    def _say(self, stuck: dict[str, float]) -> None:
        """Tell the service manager in one line, when it has changed."""
        troubles: Sequence[Trouble] = self._observer.troubles()
        words = [f"{name} stands still" for name in stuck] + [t.says for t in troubles]
        says = "In order." if not words else f"{len(words)} in trouble: {words[0]}"
        if says != self._said and self._manager.status(says):
            self._said = says

    def _health_page(self, aspect: str) -> Answer:
        status = self._observer.latest
        about: dict[str, Any] = {
            "started": utc(self._observer.started_ms),
            "threads_still_s": {p.name: round(p.still_s, 1) for p in self._watched.pulses},
        }
        if status is not None:
            about["looked"] = utc(status.now_ms)
        code, body = as_json(self.health(), aspect, self._watched.clock_ms(), about)
        return Answer(code, "application/json", body)


def _reason(trouble: Trouble) -> Reason:
    since = utc(trouble.since_ms) if trouble.since_ms else ""
    return Reason(trouble.kind, trouble.says, since)


def _metrics_page(exposition: Exposition, accept: str) -> Answer:
    body, content_type = exposition.text(accept)
    return Answer(200, content_type, body)


def _log(change: Change) -> None:
    episode = change.episode
    fields = {
        "condition": episode.slug,
        "state": "raised" if change.began else "over",
        "since": utc(episode.since_ms),
        "value": episode.value,
        "limit": episode.limit,
    }
    level = logging.ERROR if change.began else logging.WARNING
    log.log(level, "%s", sentence_of(episode), extra={"fields": fields})
