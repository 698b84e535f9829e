"""The gateway put together: its threads, what they share, its start, its end, its reload.

``intake`` → ``pipeline`` → journal → ``rules reader`` → records → ``outbox``, and journal →
``store reader`` → telemetry store. Each thread waits for events, none for another thread. A thread
that dies of a defect is told to whoever runs the gateway, who ends it with an error, so that it is
started anew and never runs half-dead.
"""

from __future__ import annotations

import logging
import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Final, NamedTuple

from gateway.config import Configuration
from gateway.data_directory import (
    JOURNAL_FILE,
    RECORDS_FILE,
    STATUS_FILE,
    WATCH_FILE,
    DataDirectory,
    DataDirectoryError,
)
from gateway.intake import SPARKPLUG_FILTERS, TOPIC_FILTERS, Intake
from gateway.journal import JournalError, SqliteJournal
from gateway.mail.smtp import SmtpTransport
from gateway.outgoing import Outgoing
from gateway.periodic import Pace
from gateway.pipeline import Pipeline
from gateway.receiver_clock import ReceiverClock
from gateway.records.records import Records
from gateway.records.session import RecordsError
from gateway.records_place import note_place
from gateway.regular_work import RegularWork
from gateway.rules_reader import RulesEngine, RulesReader
from gateway.snapshot import SnapshotFiles
from gateway.status import GatewayStatus
from gateway.store_reader import StoreReader
from gateway.telemetry import StoreError, open_store
from gateway.unit_register import UnitRegister
from gateway.upkeep import Upkeep
from gateway.watching.episodes import EpisodeBook
from gateway.watching.freshness import Freshness
from gateway.watching.notices import Messenger, Place
from gateway.watching.notify import ServiceManager
from gateway.watching.observer import Observer, Parts, Trouble
from gateway.watching.watch import Watch, Watched
from gateway.wire import Decoder, EdgeNodes, edges_of, of_sites
from rules.engine import Engine
from rules.plan import FleetPlan

__all__ = ["Progress", "Service", "ServiceError", "wall_clock_ms"]

log = logging.getLogger(__name__)

_RELOAD_WITHIN_S: Final = 30.0


class ServiceError(Exception):
    """The gateway cannot start, or cannot take a new configuration; the text says what to do."""


class Progress(NamedTuple):
    """Frames since the start that are in the journal, judged by the rules, and in the store."""

    journalled: int
    judged: int
    stored: int


class _Link(NamedTuple):
    connected: bool
    why: str


def wall_clock_ms() -> int:
    """The time, UTC, ms since 1970."""
    return time.time_ns() // 1_000_000


class Service:
    """One gateway on one data directory.

    ``records_url`` is SQLAlchemy's and counts before that of the configuration (neither: a file in
    the data directory); ``make_engine`` makes the rules for a plan; ``on_failure`` is told in words
    when the gateway cannot go on and must be stopped and started anew. ``manager`` is the service
    manager that is notified, if any is.
    """

    def __init__(
        self,
        configuration: Configuration,
        data_dir: Path,
        *,
        records_url: str | None = None,
        make_engine: Callable[[FleetPlan], RulesEngine] = Engine,
        clock_ms: Callable[[], int] = wall_clock_ms,
        pace: Pace | None = None,
        on_failure: Callable[[str], None] = lambda _why: None,
        manager: ServiceManager | None = None,
    ) -> None:
        """Open everything and start nothing; :class:`ServiceError` says what is in the way."""
        self.configuration = configuration
        self._data_dir = data_dir
        self._make_engine = make_engine
        self._pace = pace or Pace()
        self.on_failure = on_failure
        self._manager = manager or ServiceManager()
        self._link = _Link(
            False,
            f"Not connected to the broker at {configuration.broker.address} yet. If this lasts, "
            "check that it runs, and host and port under [broker].",
        )
        self._reloading = threading.Lock()
        self._stopped = False
        self._watch: Watch
        self._plan: FleetPlan
        url = (
            records_url
            or configuration.records.database_url
            or f"sqlite:///{(data_dir / RECORDS_FILE).absolute()}"
        )
        with ExitStack() as undo, _told():
            self._directory = DataDirectory(data_dir)
            undo.callback(self._directory.close)
            self._journal = SqliteJournal(
                data_dir / JOURNAL_FILE, configuration.journal_budget_mb * 1_000_000
            )
            undo.callback(self._journal.close)
            self._clock_ms = ReceiverClock(clock_ms, not_before_ms=_newest_ms(self._journal))
            self._started_ms = self._clock_ms()
            self._records = Records(
                url,
                routing=configuration.routing,
                mail_domain=configuration.mail.from_address.rpartition("@")[2],
                life=configuration.life,
            )
            undo.callback(self._records.close)
            self._records.hold(
                f"on {socket.gethostname()}, process {os.getpid()}, data in {data_dir.absolute()}"
            )
            if records_url is None:
                note_place(data_dir, configuration.records)
            self._register = UnitRegister(self._journal)
            self._freshness = Freshness()
            self._snapshots = SnapshotFiles(data_dir)
            self._match_journal_and_records()
            self._edge_nodes = EdgeNodes(self._journal.notes())
            plan, decoder = self._prepare(configuration)
            self._store = open_store(configuration.store, data_dir, self._register.units)
            undo.callback(self._store.close)
            self._client_id = configuration.broker.client_id
            self._intake = Intake(
                configuration.broker, self._clock_ms, self._broker_told, _topics(configuration)
            )
            self._assemble(plan, decoder)
            self._watch_over()
            undo.pop_all()

    # -- start, stop, reload ----------------------------------------------------------------

    def start(self) -> None:
        """Start all threads; the broker need not be there yet."""
        self._rules.start()
        self._store_reader.start()
        self._outgoing.start()
        self._pipeline.start()
        self._intake.start()
        self._observer.look()
        self._regular_work.start()
        self._messenger.start()
        self._manager.ready("Started.")
        self._watch.start()
        log.info(
            "The gateway watches %d units at %d sites; data in %s.",
            sum(len(s.units) for s in self.configuration.sites),
            len(self.configuration.sites), self._data_dir,
        )  # fmt: skip

    def stop(self, timeout_s: float = 30.0) -> bool:
        """End in good order: what has arrived is made durable, judged and committed.

        False where a thread did not end in time; what it leaves is recovered at the next start.
        """
        if self._stopped:
            return True
        self._stopped = True
        self._manager.stopping()
        deadline_s = time.monotonic() + timeout_s

        def left_s() -> float:
            return max(0.1, deadline_s - time.monotonic())

        self._regular_work.stop()
        self._pipeline.stop()
        ended = {"pipeline": self._pipeline.join(left_s())}
        self._intake.stop()  # after the pipeline's last acknowledgements
        self._rules.stop()
        self._store_reader.stop()
        ended["rules reader"] = self._rules.join(left_s())
        ended["store reader"] = self._store_reader.join(left_s())
        ended |= self._outgoing.stop(left_s)
        self._messenger.stop()
        self._watch.stop()  # the last, so that signs of life go on until here
        ended["messenger"] = self._messenger.join(left_s())
        ended["watch"] = self._watch.join(left_s())
        self._watch.close()
        self._observer.look()
        late = [name for name, done in ended.items() if not done]
        if late:
            log.error(
                "Still at work after %.0f s: %s. The process ends all the same; nothing is lost, "
                "the next start takes longer.", timeout_s, ", ".join(late),
            )  # fmt: skip
            return False
        self._store.close()
        self._records.close()
        self._journal.close()
        self._directory.close()
        log.info("The gateway has stopped in good order.")
        return True

    def reload(self, configuration: Configuration) -> list[str]:
        """Go on with another configuration; what of it needs a new start, in words.

        Sites, units, settings and recipients change at once, at one point of the journal. Raises
        :class:`ServiceError` where that cannot be; the present configuration then stays.
        """
        with self._reloading, _told():
            renderer = self._outgoing.renderer(configuration)
            plan, decoder = self._prepare(configuration)
            # The rules must know a unit before the first frame of it comes.
            done = self._rules.replace_engine(lambda: self._make_engine(plan))
            try:
                done.result(_RELOAD_WITHIN_S)
            except TimeoutError:
                msg = (
                    "The rules did not take the new configuration within "
                    f"{_RELOAD_WITHIN_S:.0f} s ({self._rules.records_outage.why or 'busy'}). They "
                    "may still take it; reload again when that is over."
                )
                raise ServiceError(msg) from None
            except ValueError as error:
                msg = f"The rules cannot go on with the new configuration: {error}"
                raise ServiceError(msg) from error
            self._plan = plan
            self._pipeline.use(decoder)
            self._intake.subscribe_also(_topics(configuration))
            self._records.route(configuration.routing, configuration.life)
            self._regular_work.use(configuration)
            self._watch.use(configuration.watch)
            self._outgoing.use(configuration, renderer)
            before, self.configuration = self.configuration, configuration
            later = [
                f"[{table}] has changed; it takes effect when the gateway is started anew."
                for table, attribute in (
                    ("broker", "broker"),
                    ("store", "store"),
                    ("mail", "mail"),
                    ("records", "records"),
                    ("journal", "journal_budget_mb"),
                )
                if getattr(before, attribute) != getattr(configuration, attribute)
            ]
        log.info("The new configuration is in use. %s", " ".join(later))
        return later

    # -- how it is --------------------------------------------------------------------------

    @property
    def records(self) -> Records:
        """The records that this gateway writes."""
        return self._records

    def status(self) -> GatewayStatus:
        """How the gateway is at this moment."""
        return self._observer.status()

    def progress(self) -> Progress:
        """How far frames have come. Asks nobody, so it may be asked at any rate."""
        return Progress(
            self._pipeline.counts.frames,
            self._rules.counts.frames,
            self._store_reader.counts.frames,
        )

    @property
    def watch(self) -> Watch:
        """What watches over this gateway, and serves ``/health`` and ``/metrics``."""
        return self._watch

    # -- putting together -------------------------------------------------------------------

    def _match_journal_and_records(self) -> None:
        """A journal that is newer than what has read it would be taken for read already."""
        known = max([self._records.committed_offset(), *(s.offset for s in self._snapshots.load())])
        if self._journal.last_offset < known:
            log.warning(
                "%s ends at offset %d, the records or a snapshot are at %d: was it put away or "
                "replaced? New entries begin after %d.",
                self._journal.path, self._journal.last_offset, known, known,
            )  # fmt: skip
            self._journal.begin_after(known)
        adopted = self._register.adopt(self._records.units())
        if adopted:
            log.warning("%d units got back the rows that the records know them by.", adopted)

    def _prepare(self, configuration: Configuration) -> tuple[FleetPlan, Decoder]:
        """Rows for all units, known to the records too, and what is built on them."""
        sites = configuration.sites
        rows = self._register.ensure((s.id, u.id) for s in sites for u in s.units)
        self._records.sync_units(rows, self._clock_ms())
        self._freshness.know(rows, [s.id for s in sites])
        plan = FleetPlan.build(sites, dict(rows), configuration.settings, rules=configuration.rules)
        units = of_sites(sites, rows)
        decoder = Decoder(
            units, configuration.store.retention_days,
            edges=edges_of(sites, units), nodes=self._edge_nodes, sparkplug=configuration.sparkplug,
        )  # fmt: skip
        return plan, decoder

    def _assemble(self, plan: FleetPlan, decoder: Decoder) -> None:
        configuration, pace = self.configuration, self._pace
        self._plan = plan
        self._rules = RulesReader(
            self._journal, self._records, lambda: self._make_engine(plan), self._snapshots,
            min_interval_s=pace.rules_s,
        )  # fmt: skip
        self._store_reader = StoreReader(
            self._journal, self._store, self._clock_ms, min_interval_s=pace.store_s
        )
        self._pipeline = Pipeline(
            self._intake, decoder, self._journal, self._records, self._clock_ms,
            clock_interval_s=pace.clock_s, action_interval_s=pace.actions_s,
            listening=lambda: self._link.connected and not self._watch.deaf,
            heard=self._freshness.heard,
        )  # fmt: skip
        for worker in (self._rules, self._store_reader, self._pipeline):
            worker.on_death = self._died
        self._outgoing = Outgoing(
            configuration, self._records, self._store, self._data_dir, self._clock_ms
        )
        self._upkeep = Upkeep(self._journal, self._snapshots, self._rules.request_snapshot)

    def _watch_over(self) -> None:
        """What looks at all the others, and what is done every so often."""
        configuration, pace = self.configuration, self._pace
        parts = Parts(
            self._journal, self._records, self._intake, self._pipeline, self._rules,
            self._store_reader, self._upkeep, self._freshness,
            configuration=lambda: self.configuration,
            connected=lambda: self._link.connected,
            link=lambda: self._link.why,
            mail_trouble=lambda: self._outgoing.mail_trouble,
            own_alarms=self._own_alarms,
            clock_ms=self._clock_ms,
        )  # fmt: skip
        self._observer = Observer(parts, self._started_ms, self._data_dir / STATUS_FILE)
        book = EpisodeBook(self._data_dir / WATCH_FILE)
        self._messenger = Messenger(
            book, SmtpTransport(configuration.mail),
            to=lambda: self.configuration.watch.operators or self.configuration.routing.desks,
            place=lambda: Place(
                self.configuration.name, socket.gethostname(), str(self._data_dir)
            ),
            clock_ms=self._clock_ms,
            syslog=lambda: self.configuration.watch.syslog,
        )  # fmt: skip
        workers = (self._intake, self._pipeline, self._rules, self._store_reader)
        pulses = [*(worker.pulse for worker in workers), *self._outgoing.pulses]
        watched = Watched(self._observer, pulses, self._watch_threads, self._clock_ms)
        self._watch = Watch(
            watched,
            configuration.watch,
            book,
            self._messenger,
            self._manager,
            every_s=pace.status_s,
        )
        for worker in (self._messenger, self._watch):
            worker.on_death = self._died
        self._regular_work = RegularWork(
            pace, self._records, self._store, self._register, self._rules, self._store_reader,
            self._upkeep, self._clock_ms,
            configuration=lambda: self.configuration,
            plan=lambda: self._plan,
            also=[("status", pace.status_s, self._observer.look)],
        )  # fmt: skip

    # -- told by threads --------------------------------------------------------------------

    def _watch_threads(self) -> None:
        """The threads that are not ours to catch the errors of: they end only by a defect."""
        broker_thread = f"paho-mqtt-client-{self._client_id}"  # as the client library names it
        dead = self._outgoing.dead()
        if broker_thread not in {thread.name for thread in threading.enumerate()}:
            dead.append("the broker's connection")
        for what in dead if not self._stopped else ():
            self.on_failure(f"the thread of {what} has died; its traceback is in the log")

    def _own_alarms(self) -> list[Trouble]:
        return self._watch.troubles()

    def _broker_told(self, connected: bool, why: str) -> None:
        self._link = _Link(connected, why)
        log.log(logging.INFO if connected or self._stopped else logging.ERROR, "%s", why)

    def _died(self, name: str, error: BaseException) -> None:
        self.on_failure(f"the thread '{name}' has died ({type(error).__name__}: {error})")


def _newest_ms(journal: SqliteJournal) -> int:
    """When the journal's newest entry was received, 0 if it holds none."""
    newest = journal.read_from(journal.last_offset - 1).entries
    return newest[-1].received_ms if newest else 0


def _topics(configuration: Configuration) -> tuple[str, ...]:
    """What to subscribe to. Sparkplug only where a site speaks it: the broker may not allow it."""
    sparkplug = any(site.sparkplug is not None for site in configuration.sites)
    return (*TOPIC_FILTERS, *(SPARKPLUG_FILTERS if sparkplug else ()))


@contextmanager
def _told() -> Iterator[None]:
    """What can be in the way, as one kind of error with the same words."""
    try:
        yield
    except (DataDirectoryError, JournalError, RecordsError, StoreError) as error:
        raise ServiceError(str(error)) from error
    except OSError as error:
        msg = f"A file cannot be used: {error}. Nothing has been started."
        raise ServiceError(msg) from error
