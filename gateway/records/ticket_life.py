"""The part of the records that a ticket's life goes through: what people and data do to tickets.

:class:`gateway.records.records.Records` is one; nothing else is meant to be. Each method is one
transaction. What cannot be done is refused with a :class:`RecordsError` that says what to do, and
nothing is changed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TypeVar

from sqlalchemy import Connection

from gateway.records import queries, ticket_data, ticket_work
from gateway.records.rows import AttachmentRow
from gateway.records.session import Database, RecordsError
from gateway.records.ticket_data import Course, HandBackSeen, Mailing, UnderCare
from gateway.tickets.attachments import AttachmentRefused, attachment
from gateway.tickets.closeout import PartFinding

__all__ = ["TicketLife"]

_T = TypeVar("_T")


class TicketLife:
    """The acts of people, and what the data say of a repair."""

    _database: Database
    on_mail: Callable[[], None] | None

    def _mailing(self, connection: Connection, now_ms: int) -> Mailing:
        raise NotImplementedError

    # --- people -----------------------------------------------------------------------------

    def assign(self, number: str, *, by: str, to: str, now_ms: int, note: str = "") -> None:
        """``to`` is to do it; the alarm is acknowledged too, by ``by``."""
        with self._acting(by) as connection:
            ticket_work.assign(connection, number, by.strip(), to, note.strip(), now_ms)

    def arrive(
        self, number: str, *, by: str, now_ms: int, note: str = "", until_ms: int = 0
    ) -> None:
        """``by`` works on the unit, which is out of service until the end of the work.

        ``until_ms`` is when that is to be (UTC, ms since 1970; 0: after four hours): then whoever
        is on call is reminded. Reported again it stays longer. Each person reports himself.
        """
        with self._acting(by) as connection:
            ticket_work.arrive(connection, number, by.strip(), note.strip(), until_ms, now_ms)

    def leave(
        self,
        number: str,
        *,
        by: str,
        now_ms: int,
        note: str = "",
        whom: str = "",
        is_clear: bool = False,
    ) -> bool:
        """``by`` goes before the work is done; True where nobody works at the unit any more.

        Then it is back in service, unless somebody had it out of service apart from the work.
        Where another than ``by`` has left and cannot report it, ``whom`` names him as he gave his
        name on arrival; ``by`` must then confirm by ``is_clear`` that he is clear of the machine.
        """
        whom = " ".join(whom.split())
        if whom and not is_clear:
            msg = (
                f"Confirm that {whom} is clear of the machine. Speak with him, or have somebody "
                "look: a unit on which he still works would be judged as if nobody did. Nothing "
                "was changed."
            )
            raise RecordsError(msg)
        with self._acting(by) as connection:
            return ticket_work.leave(connection, number, by.strip(), note.strip(), now_ms, whom)

    def finish(self, number: str, *, by: str, now_ms: int, note: str = "") -> bool:
        """The work is done and the unit handed back; its readings are checked from now on.

        False where somebody still works at the unit for another ticket: it stays out of service,
        and the check begins when he is done. It also stays out, and is checked all the same, where
        somebody had it out of service apart from the work.
        """
        with self._acting(by) as connection:
            return ticket_work.finish(connection, number, by.strip(), note.strip(), now_ms)

    def close_ticket(
        self,
        number: str,
        *,
        by: str,
        finding: str,
        now_ms: int,
        findings: Sequence[PartFinding] = (),
        cleaned: Sequence[str] = (),
    ) -> None:
        """A person closes a ticket and says what was found; both are required.

        ``findings`` say it part by part; ``cleaned`` are parts
        (:data:`rules.state.CLEANABLE_PARTS`) whose normal readings are learned anew once they have
        shown that the cleaning helped. From on site this hands the unit back.
        """
        if not by.strip() or not finding.strip():
            msg = f"Ticket {number} is closed by a person who says what was found. Give both."
            raise RecordsError(msg)
        with self._acting(by) as connection:
            ticket_work.close_ticket(
                connection, number, by.strip(), finding.strip(), findings, cleaned, now_ms
            )

    def add_note(self, number: str, *, by: str, note: str, now_ms: int) -> None:
        """A person adds a note to a ticket."""
        with self._acting(by) as connection:
            ticket_work.add_note(connection, number, by.strip(), note.strip(), now_ms)

    def attach(self, number: str, *, by: str, name: str, content: bytes, now_ms: int) -> int:
        """Keep a photo or a PDF with a ticket; its position there.

        At most 10 MB, and only what is an image or a PDF by its content. A file that is there
        already is not kept twice.
        """
        try:
            what = attachment(name, content)
        except AttachmentRefused as error:
            raise RecordsError(str(error)) from error
        with self._acting(by) as connection:
            return ticket_work.attach(connection, number, by.strip(), what, now_ms)

    def attachment(self, number: str, position: int) -> tuple[AttachmentRow, bytes] | None:
        """A photo or document with its content. Whoever hands it out must not let it be run."""
        with self._database.read() as connection:
            return queries.attachment(connection, number, position)

    # --- the data ---------------------------------------------------------------------------

    def under_care(self) -> list[UnderCare]:
        """The tickets about which the data have something to say."""
        with self._database.read() as connection:
            return ticket_data.under_care(connection)

    def remind(self, now_ms: int) -> int:
        """Tell of units that are out of service longer than was said; the number of mails."""
        return self._tell(now_ms, ticket_data.remind)

    def note_hand_backs(self, seen: Sequence[HandBackSeen], now_ms: int) -> int:
        """Write down what looks at handed-back units showed; the number of mails."""
        return self._tell(now_ms, lambda c, m: ticket_data.note_hand_backs(c, seen, m))

    def note_courses(self, courses: Sequence[Course], now_ms: int) -> int:
        """Write down how the watch over closed tickets went on; the number of mails."""
        return self._tell(now_ms, lambda c, m: ticket_data.note_courses(c, courses, m))

    def _tell(self, now_ms: int, what: Callable[[Connection, Mailing], int]) -> int:
        with self._database.write() as connection:
            mails = what(connection, self._mailing(connection, now_ms))
        if mails and self.on_mail is not None:
            self.on_mail()
        return mails

    @contextmanager
    def _acting(self, by: str) -> Iterator[Connection]:
        if not by.strip():
            msg = "Give the name of the person who does it. Nothing was changed."
            raise RecordsError(msg)
        with self._database.write() as connection:
            yield connection
