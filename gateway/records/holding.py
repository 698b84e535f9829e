"""That one gateway at a time writes the same records.

Two gateways on one set of records would judge two journals into one list of alarms and mail twice.
So a gateway holds its records while it runs: beside a file by the operating system's lock, on a
server by an advisory lock of a session of its own. That session can break while the gateway lives,
and another gateway may then take the records. So each holder writes a token into the records, and
every transaction of a holder first looks whether the token is still its own: whoever has lost the
records writes nothing more.
"""

from __future__ import annotations

import fcntl
import json
import os
import secrets
import threading
from contextlib import suppress
from pathlib import Path
from typing import Any, Final, Protocol

from sqlalchemy import Connection, NullPool, select
from sqlalchemy.engine import URL
from sqlalchemy.exc import DBAPIError

from gateway.records.engines import engine_for
from gateway.records.models import InstallationRecord
from gateway.records.trouble import RecordsError, meaning, shown
from gateway.records.upsert import insert_into

__all__ = ["FileHolding", "Holding", "ServerHolding"]

HOLDING_LOCK: Final = 0x6277_486F_6C64_6572  # "bwHolder" as a number; the key of an advisory lock
_HOLDER: Final = "holder"  # of the table installation
_LOCK_NOT_AVAILABLE: Final = "55P03"
_ENDING_MS: Final = 2_000  # within it a server notices that a process on its machine has ended


class Holding(Protocol):
    """The records are held by this process until closed."""

    def begin(self, connection: Connection) -> None:
        """Note the holder in the records, within the caller's transaction."""
        ...

    def ensure(self) -> None:
        """Before a transaction: the lock is still there, or is there again."""
        ...

    def check(self, connection: Connection) -> None:
        """Within a writing transaction: nobody else has taken the records since."""
        ...

    def close(self) -> None:
        """Let others hold them."""
        ...


class FileHolding:
    """Held by a lock on a file beside the records, which ends with the process."""

    def __init__(self, url: URL) -> None:
        """Take the lock; :class:`RecordsError` where another gateway has it."""
        path = Path(f"{url.database}.holder")
        self._lock = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(self._lock)
            raise _taken(url, "") from None

    def begin(self, connection: Connection) -> None:
        """Nothing to note: the lock cannot be lost."""

    def ensure(self) -> None:
        """The lock is the process's own."""

    def check(self, connection: Connection) -> None:
        """The lock is the process's own."""

    def close(self) -> None:
        """Let others hold them."""
        os.close(self._lock)


class ServerHolding:
    """Held by an advisory lock of a session of its own. Methods may be called from any thread."""

    def __init__(self, url: URL, wait_ms: int, who: str) -> None:
        """Take the lock, waiting for one that is just ending.

        ``who`` tells a person which gateway it is. Raises :class:`RecordsError` where another
        gateway has the records.
        """
        self._url = url
        self._token = secrets.token_hex(8)
        self._who = who
        wait_ms = min(wait_ms, _ENDING_MS)
        self._engine = engine_for(url, wait_ms, poolclass=NullPool, isolation_level="AUTOCOMMIT")
        self._guard = threading.Lock()
        self._connection: Connection | None = None
        self._take()

    def begin(self, connection: Connection) -> None:
        """Note the holder and its token in the records, within the caller's transaction."""
        statement = insert_into(connection, InstallationRecord)
        change = {"value": statement.excluded.value}
        value = json.dumps({"token": self._token, "who": self._who}, ensure_ascii=False)
        connection.execute(
            statement.on_conflict_do_update(index_elements=["name"], set_=change),
            {"name": _HOLDER, "value": value},
        )

    def ensure(self) -> None:
        """The lock's session is alive, or the lock is taken anew."""
        with self._guard:
            if self._connection is not None:
                try:
                    self._connection.exec_driver_sql("SELECT 1")
                except DBAPIError:
                    self._drop()
                else:
                    return
            self._take()

    def check(self, connection: Connection) -> None:
        """The token in the records is this holder's."""
        found = _holder(connection)
        if found.get("token") != self._token:
            raise _taken(self._url, found.get("who", ""))

    def close(self) -> None:
        """End the session, and the lock with it."""
        with self._guard:
            self._drop()
        self._engine.dispose()

    def _take(self) -> None:
        try:
            connection = self._engine.connect()
        except DBAPIError as error:
            raise self._told(error) from error
        try:
            connection.exec_driver_sql(f"SELECT pg_advisory_lock({HOLDING_LOCK})")
        except DBAPIError as error:
            held = getattr(error.orig, "sqlstate", "") == _LOCK_NOT_AVAILABLE
            who = _holder(connection).get("who", "") if held else ""
            with suppress(DBAPIError):
                connection.close()
            raise (_taken(self._url, who) if held else self._told(error)) from error
        self._connection = connection

    def _told(self, error: DBAPIError) -> Exception:
        return meaning(error, self._url, "held", committing=False) or error

    def _drop(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            with suppress(DBAPIError):
                connection.close()


def _holder(connection: Connection) -> dict[str, Any]:
    query = select(InstallationRecord.value).where(InstallationRecord.name == _HOLDER)
    try:
        found: dict[str, Any] = json.loads(connection.scalar(query) or "{}")
    except DBAPIError:  # only to name it
        return {}
    return found


def _taken(url: URL, who: str) -> RecordsError:
    return RecordsError(
        f"Another gateway{f' ({who})' if who else ''} works on the records at {shown(url)}. Two "
        "would tell everything twice. Stop it first, or give this one records of its own. If its "
        "machine is gone without a word, the server lets go of it within two minutes. Nothing was "
        "written."
    )
