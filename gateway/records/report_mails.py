"""Which report of which period has been put in the outbox for whom: once each, and none lost.

The letter and the note that it was written are one transaction.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final, cast

from sqlalchemy import BigInteger, Table, insert, select
from sqlalchemy.orm import Mapped, mapped_column

from gateway.mail.letter import Letter
from gateway.records.letters import write_letter
from gateway.records.models import Base, TeamListRecord
from gateway.records.postmark import Postmark
from gateway.records.session import Database
from gateway.records.upsert import insert_into
from gateway.tickets.notice import Recipient

__all__ = ["ReportBook", "ReportMailRecord"]

_KIND: Final = "report"


class ReportMailRecord(Base):
    """One report in the outbox for one address. ``scope`` is 'fleet' or 'site ID'."""

    __tablename__ = "report_mails"

    period: Mapped[str] = mapped_column(primary_key=True)
    scope: Mapped[str] = mapped_column(primary_key=True)
    email: Mapped[str] = mapped_column(primary_key=True)
    made_ms: Mapped[int] = mapped_column(BigInteger)
    outbox_id: Mapped[int]


_MAILS = cast("Table", ReportMailRecord.__table__)


class ReportBook:
    """The reports' part of the records."""

    _database: Database
    _postmark: Postmark
    on_mail: Callable[[], None] | None

    def reports_made_ms(self) -> int | None:
        """When reports were last made, or waited for from; None at first."""
        with self._database.read() as connection:
            return connection.scalar(
                select(TeamListRecord.made_ms).where(
                    TeamListRecord.team == "", TeamListRecord.kind == _KIND
                )
            )

    def note_reports_made(self, now_ms: int) -> None:
        """All that was due by now is in the outbox."""
        with self._database.write() as connection:
            statement = insert_into(connection, TeamListRecord).values(
                team="", kind=_KIND, made_ms=now_ms
            )
            connection.execute(
                statement.on_conflict_do_update(
                    index_elements=["team", "kind"], set_={"made_ms": statement.excluded.made_ms}
                )
            )

    def lacks_report(self, period: str, scope: str, people: Sequence[Recipient]) -> list[Recipient]:
        """Those of ``people`` for whom this report has not been put in the outbox yet."""
        with self._database.read() as connection:
            had = set(
                connection.scalars(
                    select(_MAILS.c.email).where(_MAILS.c.period == period, _MAILS.c.scope == scope)
                )
            )
        once = {p.email.lower(): p for p in reversed(people)}
        return [p for email, p in reversed(once.items()) if email not in had]

    def mail_report(
        self, period: str, scope: str, letter: Letter, to: Recipient, *, now_ms: int
    ) -> bool:
        """Put a report in the outbox for one person; False where it was there before."""
        email = to.email.lower()
        with self._database.write() as connection:
            there = connection.scalar(
                select(_MAILS.c.outbox_id).where(
                    _MAILS.c.period == period, _MAILS.c.scope == scope, _MAILS.c.email == email
                )
            )
            if there is not None:
                return False
            outbox_id = write_letter(
                connection, letter, (to,), now_ms=now_ms, postmark=self._postmark, word="report"
            )
            connection.execute(
                insert(_MAILS).values(
                    period=period, scope=scope, email=email, made_ms=now_ms, outbox_id=outbox_id
                )
            )
        if self.on_mail is not None:
            self.on_mail()
        return True
