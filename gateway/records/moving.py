"""All records copied from one database to another, of the same kind or not.

The common form is an SQLite file of the newest revision: it is what a backup holds, and the way
from a file to a server and back.
"""

from __future__ import annotations

import secrets
from pathlib import Path
from typing import Final, cast

from sqlalchemy import (
    Connection,
    LargeBinary,
    Table,
    delete,
    func,
    insert,
    select,
    text,
    update,
)
from sqlalchemy.engine import URL

from gateway.records.account_models import SessionRecord
from gateway.records.engines import parsed
from gateway.records.models import (
    TICKETS_BEYOND,
    ActionRecord,
    Base,
    InstallationRecord,
    OutboxRecord,
)
from gateway.records.rows import OutboxState
from gateway.records.session import Database
from gateway.records.ticketing import last_ticket_id
from gateway.records.trouble import RecordsError, is_sqlite, shown
from gateway.sqlite_copy import copy_sqlite

__all__ = ["copy_records", "move_records", "refit", "server_of"]

_CHUNK_ROWS: Final = 1000
_HEAVY_ROWS: Final = 4
_MOST_TICKETS: Final = 10_000
_TICKETS_A_MINUTE: Final = 10
"""What a lost gateway has given at most: a storm of tickets, and more than people could ever read
(common practice: one alarm in ten minutes is what an operator can take)."""
_ROUND: Final = 1000  # so that the numbers after a restore are told at a glance
_NOT_SETTLED: Final = (
    OutboxState.PENDING.value,
    OutboxState.HELD.value,
    OutboxState.SENDING.value,
    OutboxState.HANDING_OVER.value,
)


def server_of(url: str | URL) -> str:
    """The server that the records are on, without password; empty where they are a file."""
    made = parsed(url)
    return "" if is_sqlite(made) else shown(made)


def copy_records(url: str | URL, target: Path) -> None:
    """Copy the records, on whatever database, into an SQLite file, as they stand at one moment."""
    made = parsed(url)
    if is_sqlite(made):
        copy_sqlite(Path(made.database or ""), target)
        return
    source, file = Database(made), Database(f"sqlite:///{target.absolute()}")
    try:
        with source.read() as there, file.write() as here:
            here.execute(delete(InstallationRecord))
            _copy_rows(there, here)
    finally:
        source.close()
        file.close()


def move_records(file: Path, url: str | URL) -> None:
    """Copy the records in an SQLite file into a database that holds none yet.

    Raises :class:`RecordsError` where it holds some.
    """
    source, target = Database(f"sqlite:///{file.absolute()}"), Database(url)
    try:
        with source.read() as there, target.write() as here:
            _refuse_full(here, target.url)
            here.execute(delete(InstallationRecord))
            _copy_rows(there, here)
            _continue_numbers(there, here)
    finally:
        source.close()
        target.close()


def refit(file: Path, last_action: int, elapsed_s: float = 0.0, beyond: int = 0) -> int:
    """Make the records in an SQLite file fit to go on from after others went on from them.

    What waits to be mailed may have been sent; new mails get identifiers, and new requests numbers
    (beyond ``last_action``), that nobody has given. So do new tickets: their numbers go on beyond
    all that a gateway can have given in ``elapsed_s`` since, and beyond ``beyond``. Gives the
    number after which they go on. Everybody has to sign in again.
    """
    records = Database(f"sqlite:///{file.absolute()}")
    try:
        with records.write() as here:
            given = _MOST_TICKETS + int(_TICKETS_A_MINUTE * max(elapsed_s, 0.0) / 60)
            floor = max(last_ticket_id(here) + given, beyond)
            floor = -(-floor // _ROUND) * _ROUND
            here.execute(
                update(OutboxRecord)
                .where(OutboxRecord.state.in_(_NOT_SETTLED))
                .values(possibly_duplicate=True)
            )
            # Who has signed out since the backup was made is not signed in again by it.
            here.execute(delete(SessionRecord))
            here.execute(delete(InstallationRecord).where(InstallationRecord.name != "id"))
            here.execute(
                update(InstallationRecord)
                .where(InstallationRecord.name == "id")
                .values(value=secrets.token_hex(8))
            )
            here.execute(insert(InstallationRecord).values(name=TICKETS_BEYOND, value=str(floor)))
            _raise_number(here, cast("Table", ActionRecord.__table__), last_action)
    finally:
        records.close()
    return floor


def _copy_rows(there: Connection, here: Connection) -> None:
    for table in Base.metadata.sorted_tables:
        # A few photos are as large as a whole table of the others.
        heavy = any(isinstance(column.type, LargeBinary) for column in table.c)
        at_once = _HEAVY_ROWS if heavy else _CHUNK_ROWS
        query = select(table).order_by(*table.primary_key).execution_options(yield_per=at_once)
        rows = there.execute(query).mappings()
        for part in rows.partitions(at_once):
            here.execute(insert(table), [dict(row) for row in part])


def _refuse_full(here: Connection, url: URL) -> None:
    for table in Base.metadata.sorted_tables:
        if table.name == InstallationRecord.__tablename__:
            continue
        if here.execute(select(table).limit(1)).first() is not None:
            msg = (
                f"The database {shown(url)} holds records already (table {table.name}). Name an "
                "empty one. Nothing was written."
            )
            raise RecordsError(msg)


def _continue_numbers(there: Connection, here: Connection) -> None:
    """Let the target give numbers beyond all that the source has ever given."""
    for table in Base.metadata.sorted_tables:
        if not table.dialect_options["sqlite"]["autoincrement"]:
            continue
        last = _last_number(there, table)
        if last and here.dialect.name == "postgresql":
            sequence = func.pg_get_serial_sequence(table.name, "id")
            here.execute(select(func.setval(sequence, last)))
        elif last:
            _raise_number(here, table, last)


def _last_number(there: Connection, table: Table) -> int:
    found = there.scalar(
        text("SELECT seq FROM sqlite_sequence WHERE name = :name"), {"name": table.name}
    )
    return int(found or 0)


def _raise_number(here: Connection, table: Table, last: int) -> None:
    """In an SQLite file: give numbers beyond ``last`` from now on."""
    values = {"name": table.name, "last": last}
    if _last_number(here, table) < last:
        here.execute(text("DELETE FROM sqlite_sequence WHERE name = :name"), values)
        here.execute(text("INSERT INTO sqlite_sequence VALUES (:name, :last)"), values)
