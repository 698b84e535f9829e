"""The records: what must be exact, behind one object.

The rules reader commits each step whole, with the journal offset it belongs to, so a replay after a
crash never writes anything twice. The board reads, and writes requests. Safe to use from several
threads. What cannot be written now raises :class:`RecordsUnavailable`; nothing of it is written.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager

from sqlalchemy import Connection, select
from sqlalchemy.engine import URL

from gateway.batch import Reject
from gateway.records import (
    acknowledging,
    actions,
    commit,
    gathering,
    queries,
    summaries,
    ticketing,
    unit_looks,
)
from gateway.records.accounts import AccountStore
from gateway.records.acknowledging import TicketNow
from gateway.records.allowance import AllowanceStore
from gateway.records.audit import AuditTrail
from gateway.records.cases import CaseBook
from gateway.records.models import InstallationRecord, UnitRecord
from gateway.records.outbox import OutboxStore
from gateway.records.outbox_rows import outbox_counts, outbox_rows, undelivered_rows
from gateway.records.quarantine import Quarantine, QuarantineLimits
from gateway.records.queries import Where
from gateway.records.report_mails import ReportBook
from gateway.records.rows import (
    AlarmEventRow,
    BaselineRow,
    Channel,
    OutboxCounts,
    OutboxRow,
    OutboxState,
    QuarantineRow,
    StandingAlarm,
    TicketDetail,
    TicketRow,
)
from gateway.records.service_state import HeldOut, held_out, what_forbids
from gateway.records.session import Database, RecordsError
from gateway.records.summaries import ChangeMark
from gateway.records.ticket_data import Mailing
from gateway.records.ticket_life import TicketLife
from gateway.records.ticketing import Postmark
from gateway.records.unit_looks import UnitLookRow
from gateway.records.upsert import insert_into
from gateway.records.use import UseBook
from gateway.records.visit_book import VisitBook
from gateway.records.wear import write_conditions
from gateway.records.wear_book import WearBook
from gateway.tickets.desk import DeskSettings
from gateway.tickets.life import LifeSettings, TicketPhase
from gateway.tickets.routing import Routing
from rules.events import Action, ActionKind, AlarmState, Severity, StepResult

__all__ = ["Records"]

_ALL_PHASES = frozenset(TicketPhase)


class Records(TicketLife, WearBook, UseBook, ReportBook, CaseBook, VisitBook):
    """The records at ``url``, migrated to the newest revision.

    ``routing`` says who gets which mail; it may be replaced while running (:meth:`route`).
    ``life`` says for how long the data can disagree with a close-out.
    ``mail_domain`` ends the Message-IDs; give the domain that mail is sent from.
    ``on_mail`` is called, outside any transaction, after a commit that put mail in the outbox.
    """

    def __init__(
        self,
        url: str | URL,
        *,
        routing: Routing | None = None,
        desk: DeskSettings | None = None,
        life: LifeSettings | None = None,
        limits: QuarantineLimits | None = None,
        mail_domain: str = "basinward.invalid",  # RFC 2606: nobody's, so never wrong
        busy_timeout_ms: int = 5_000,
    ) -> None:
        """Open and migrate; see :class:`Database` for what may be raised."""
        self._database = Database(url, busy_timeout_ms)
        self._routing = routing or Routing()
        self._desk = desk or DeskSettings()
        self._life = life or LifeSettings()
        self._quarantine = Quarantine(limits or QuarantineLimits())
        self._sites: dict[int, str] = {}
        self.on_mail: Callable[[], None] | None = None
        by_mail = (Channel.MAIL, Channel.LIST, Channel.TEXT, Channel.LETTER)
        self.outbox_store = OutboxStore(self._database, by_mail)
        self.allowance_store = AllowanceStore(self._database)
        self.webhook_store = OutboxStore(self._database, (Channel.WEBHOOK,))
        self.accounts = AccountStore(self._database)
        self.audit = AuditTrail(self._database)
        self._postmark = Postmark(self._installation(), mail_domain)

    def hold(self, who: str) -> None:
        """Be the one gateway that writes these records; see :meth:`Database.hold`."""
        self._database.hold(who)

    def close(self) -> None:
        """Close all connections, and let other gateways have the records."""
        self._database.close()

    @property
    def installation(self) -> str:
        """The id of this set of records, drawn when they were made."""
        return self._postmark.installation

    def route(self, routing: Routing, life: LifeSettings | None = None) -> None:
        """Go by other recipients, and other times of a ticket's life, from the next commit on."""
        self._routing, self._life = routing, life or self._life

    def sync_units(self, rows: Mapping[tuple[str, str], int], known_ms: int | None = None) -> None:
        """Make known which (site, unit) each row of the unit register stands for.

        ``known_ms`` is kept as the time at which those were registered that were not known.
        """
        known = self.units()
        new = [
            {"row": row, "site": site, "unit": unit, "known_ms": known_ms}
            for (site, unit), row in rows.items()
            if known.get(row) != (site, unit)
        ]
        if not new:
            return
        with self._database.write() as connection:
            statement = insert_into(connection, UnitRecord)
            changes = {"site": statement.excluded.site, "unit": statement.excluded.unit}
            statement = statement.on_conflict_do_update(index_elements=["row"], set_=changes)
            connection.execute(statement, new)

    def units(self) -> dict[int, tuple[str, str]]:
        """Site and unit by row of the unit register."""
        with self._database.read() as connection:
            return queries.units(connection)

    # --- the rules reader -------------------------------------------------------------------

    def committed_offset(self) -> int:
        """The journal offset up to which results are committed, 0 at first."""
        with self._database.read() as connection:
            return commit.read_offset(connection)

    def commit(
        self,
        offset: int,
        result: StepResult,
        rejects: Sequence[Reject],
        now_ms: int,
        action_ids: Sequence[int] = (),
    ) -> bool:
        """Write one step whole, in one transaction.

        Parameters
        ----------
        offset : int
            Of the last journal entry that the step covers.
        result : StepResult
            Events and baselines of the step, in order of time.
        rejects : sequence of Reject
            What was refused among these entries.
        now_ms : int
            The receiver's clock. [ms since 1970, UTC]
        action_ids : sequence of int
            Requests of people that the step has applied.

        Returns
        -------
        bool
            False, and nothing written, where ``offset`` was committed before: a replay.

        Raises
        ------
        RecordsUnavailable
            Nothing was written; commit the same step again later.
        RecordsError
            A row of the unit register is not known; call :meth:`sync_units` and commit again.
        """
        mails = 0
        try:
            with self._database.write() as connection:
                fresh = commit.advance_offset(connection, offset, now_ms)
                if fresh:
                    mails = self._write_step(connection, offset, result, now_ms)
                    if rejects:
                        self._quarantine.count(connection, rejects)
                    if action_ids:
                        actions.mark_applied(connection, action_ids, now_ms)
        except BaseException:
            self._quarantine.forget()
            raise
        # A step that was there before may be one whose connection broke while it was committed:
        # then nobody has been told of its mails yet.
        if (mails or not fresh) and self.on_mail is not None:
            self.on_mail()
        return fresh

    def escalate(self, now_ms: int) -> int:
        """Tell the next in the chain where nobody has acknowledged in time; the number of mails."""
        with self._database.write() as connection:
            if not self._sites:
                self._sites = {row: site for row, (site, _) in queries.units(connection).items()}
            mails = ticketing.escalate_tickets(
                connection,
                self._sites,
                now_ms=now_ms,
                routing=self._routing,
                postmark=self._postmark,
            )
        if mails and self.on_mail is not None:
            self.on_mail()
        return mails

    def make_lists(self, now_ms: int) -> int:
        """Make the digests, hand-overs and mails about an outage that are due; how many."""
        with self._database.write() as connection:
            mails = gathering.make_lists(
                connection, now_ms=now_ms, routing=self._routing, postmark=self._postmark
            )
        if mails and self.on_mail is not None:
            self.on_mail()
        return mails

    def write_unit_looks(self, looks: Sequence[UnitLookRow]) -> None:
        """Replace what is known of how these units run."""
        if looks:
            with self._database.write() as connection:
                unit_looks.write_looks(connection, looks)

    def write_units_heard(self, heard_ms: Mapping[int, int]) -> None:
        """Note when each unit, by its row, was heard last."""
        if heard_ms:
            with self._database.write() as connection:
                unit_looks.write_heard(connection, heard_ms)

    # --- people -----------------------------------------------------------------------------

    def held_out(self, site: str, unit: str, now_ms: int) -> HeldOut | None:
        """The unit's time out of service, also one on its way; None where there is none."""
        with self._database.read() as connection:
            row = self._unit_row(connection, site, unit)
            return None if row is None else held_out(connection, row, now_ms)

    def what_hinders(
        self,
        kind: ActionKind,
        site: str,
        unit: str,
        *,
        now_ms: int,
        fault: str = "",
        until_ms: int = 0,
    ) -> str:
        """Why :meth:`request_action` would refuse it as things stand; '' where nothing hinders."""
        with self._database.read() as connection:
            row = self._unit_row(connection, site, unit)
            if row is None:
                return f"There is no unit '{unit}' at site '{site}'. Nothing was changed."
            if fault and (
                why := actions.why_nothing(
                    connection, kind=kind, unit_row=row, fault=fault, now_ms=now_ms
                )
            ):
                return f"{site}/{unit} {fault}: '{kind.value}' would do nothing. {why}"
            return what_forbids(
                connection, kind=kind, place=f"{site}/{unit}", unit_row=row, until_ms=until_ms,
                now_ms=now_ms,
            )  # fmt: skip

    @staticmethod
    def _unit_row(connection: Connection, site: str, unit: str) -> int | None:
        return connection.scalar(
            select(UnitRecord.row).where(UnitRecord.site == site, UnitRecord.unit == unit)
        )

    def request_action(
        self,
        kind: ActionKind,
        site: str,
        unit: str,
        *,
        by: str,
        now_ms: int,
        fault: str = "",
        note: str = "",
        until_ms: int = 0,
        parts: Sequence[str] = (),
    ) -> int:
        """Record what a person asks for and give its id; :class:`RecordsError` if it cannot be."""
        with self._database.write() as connection:
            if why := self.what_hinders(
                kind, site, unit, fault=fault, until_ms=until_ms, now_ms=now_ms
            ):
                raise RecordsError(why)
            row = self._unit_row(connection, site, unit)
            assert row is not None  # noqa: S101 - else that would hinder
            return actions.add_action(
                connection,
                kind=kind,
                unit_row=row,
                fault=fault,
                by=by,
                note=note,
                until_ms=until_ms,
                now_ms=now_ms,
                parts=parts,
            )

    def acknowledge_ticket(self, number: str, *, by: str, note: str, now_ms: int) -> TicketNow:
        """Ask for the acknowledgement of a ticket that waits for one, once.

        Gives the ticket as it stood before: where its ``awaited`` is not yes, nothing was written.
        """
        with self._database.write() as connection:
            return acknowledging.acknowledge(connection, number, by=by, note=note, now_ms=now_ms)

    def pending_actions(self) -> list[Action]:
        """Requests that are not in the journal yet, oldest first."""
        with self._database.read() as connection:
            return actions.read_pending(connection)

    def mark_journalled(self, ids: Sequence[int], offset: int) -> None:
        """These requests stand in the journal, up to ``offset``."""
        if ids:
            with self._database.write() as connection:
                actions.mark_journalled(connection, ids, offset)

    # --- reading ----------------------------------------------------------------------------

    def standing_alarms(self, site: str = "", unit: str = "") -> list[StandingAlarm]:
        """Alarms that are not normal, the gravest first."""
        with self._database.read() as connection:
            return queries.standing_alarms(connection, Where(site, unit))

    def alarm_counts(self) -> dict[tuple[Severity, AlarmState], int]:
        """How many alarms that are not normal there are, by severity and state."""
        with self._database.read() as connection:
            return queries.alarm_counts(connection)

    def alarm_events(
        self,
        start_ms: int,
        end_ms: int,
        where: Where | None = None,
        limit: int = 1000,
        before: tuple[int, int] | None = None,
    ) -> list[AlarmEventRow]:
        """Alarm events with ``start_ms <= time < end_ms``, newest first.

        ``before`` continues a list: time (ms) and id of its last event.
        """
        with self._database.read() as connection:
            return queries.alarm_events(
                connection, start_ms, end_ms, where or Where(), limit, before
            )

    def tickets(
        self,
        where: Where | None = None,
        *,
        phases: frozenset[TicketPhase] = _ALL_PHASES,
        priority: str = "",
        before_id: int | None = None,
        limit: int = 200,
        opened_ms: tuple[int, int] | None = None,
    ) -> list[TicketRow]:
        """Tickets, newest first; ``before_id`` continues a list.

        With ``opened_ms`` those opened from its first time on and before its second.
        """
        with self._database.read() as connection:
            return queries.tickets(
                connection,
                where or Where(),
                phases=phases,
                priority=priority,
                before_id=before_id,
                limit=limit,
                opened_ms=opened_ms,
            )

    def ticket(self, number: str) -> TicketDetail | None:
        """A ticket with its history, mails, findings and attachments, or None."""
        with self._database.read() as connection:
            ticket = queries.ticket_by_number(connection, number)
            if ticket is None:
                return None
            entries = queries.ticket_entries(connection, ticket.id)
            mails = outbox_rows(connection, ticket_id=ticket.id)
            found = queries.findings(connection, ticket.id)
            attached = queries.attachments(connection, ticket.id)
        return TicketDetail(ticket, entries, tuple(reversed(mails)), found, attached)

    def ticket_now(self, number: str) -> TicketNow | None:
        """A ticket with its alarm's state and what is asked for, or None."""
        with self._database.read() as connection:
            return acknowledging.ticket_now(connection, number)

    def quarantine(
        self, *, site: str = "", first_day: str = "", limit: int = 500
    ) -> list[QuarantineRow]:
        """What was refused since the UTC day ``first_day`` ('2026-03-01'), newest first."""
        with self._database.read() as connection:
            return queries.quarantine(connection, site=site, first_day=first_day, limit=limit)

    def outbox_counts(self) -> OutboxCounts:
        """How many mails are in which state."""
        with self._database.read() as connection:
            return outbox_counts(connection)

    def outbox(
        self, states: Sequence[OutboxState] = tuple(OutboxState), limit: int = 200
    ) -> list[OutboxRow]:
        """Mails in one of the states, newest first."""
        with self._database.read() as connection:
            return outbox_rows(connection, states=states, limit=limit)

    def undelivered(self, limit: int = 200) -> list[OutboxRow]:
        """Messages that somebody did not get, or not yet, newest first."""
        with self._database.read() as connection:
            return undelivered_rows(connection, limit)

    def baselines(self, site: str = "", unit: str = "") -> list[BaselineRow]:
        """The last baseline of each quantity and mode."""
        with self._database.read() as connection:
            return queries.baselines(connection, Where(site, unit))

    def baseline_history(
        self, site: str, unit: str, quantity: str, limit: int = 200
    ) -> list[BaselineRow]:
        """Every baseline of a quantity that was learned or reset, newest first."""
        with self._database.read() as connection:
            return queries.baseline_history(connection, Where(site, unit), quantity, limit)

    def unit_look(self, site: str, unit: str) -> UnitLookRow | None:
        """How the unit runs, as the rules saw it last; None before they have."""
        with self._database.read() as connection:
            return unit_looks.look_of(connection, site, unit)

    def change_mark(self) -> ChangeMark:
        """A mark that differs once anything that a page shows has changed."""
        with self._database.read() as connection:
            return summaries.change_mark(connection)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """One consistent view for the block, for the functions of the modules that read."""
        with self._database.read() as connection:
            yield connection

    # --- inside -----------------------------------------------------------------------------

    def _write_step(
        self, connection: Connection, offset: int, result: StepResult, now_ms: int
    ) -> int:
        """Events, tickets and baselines of a step; the number of new mails."""
        self._check_units(connection, result)
        events = [commit.plain(e) for e in result.events]
        commit.write_events(connection, events, offset, now_ms)
        mails = 0
        if events:
            mails = ticketing.write_tickets(
                connection,
                events,
                self._sites,
                now_ms=now_ms,
                routing=self._routing,
                settings=self._desk,
                postmark=self._postmark,
                reopen_within_ms=self._life.reopen_within_ms,
            )
        commit.write_baselines(connection, result.baselines, now_ms)
        write_conditions(connection, result.conditions)
        commit.count_late(connection, result.late)
        return mails

    def _mailing(self, connection: Connection, now_ms: int) -> Mailing:
        self._sites = {row: site for row, (site, _) in queries.units(connection).items()}
        return Mailing(self._sites, self._routing, self._desk, self._postmark, now_ms)

    def _check_units(self, connection: Connection, result: StepResult) -> None:
        rows = {e.unit_row for e in result.events} | {b.unit_row for b in result.baselines}
        rows |= {c.unit_row for c in result.conditions} | {row for row, _ in result.late}
        if rows - self._sites.keys():
            self._sites = {row: site for row, (site, _) in queries.units(connection).items()}
        if missing := sorted(rows - self._sites.keys()):
            msg = (
                f"Rows {', '.join(map(str, missing[:10]))} of the unit register are not known to "
                "the records. Call sync_units with the register, then commit again. Nothing was "
                "written."
            )
            raise RecordsError(msg)

    def _installation(self) -> str:
        query = select(InstallationRecord.value).where(InstallationRecord.name == "id")
        with self._database.read() as connection:
            found = connection.scalar(query)
        if found is not None:
            return found
        with self._database.write() as connection:
            statement = insert_into(connection, InstallationRecord).on_conflict_do_nothing()
            connection.execute(statement.values(name="id", value=secrets.token_hex(8)))
            return connection.execute(query).scalar_one()
