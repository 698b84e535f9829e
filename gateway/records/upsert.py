"""Insert or update in one statement, in the dialect of the database at hand."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Table
from sqlalchemy.dialects import postgresql, sqlite

from gateway.records.trouble import RecordsError

__all__ = ["Insert", "insert_into"]

Insert = sqlite.Insert | postgresql.Insert


def insert_into(connection: Connection, model: Any) -> Insert:
    """An INSERT into the model's table that knows ``on_conflict_do_update`` and ``excluded``."""
    table: Table = model.__table__
    match connection.dialect.name:
        case "sqlite":
            return sqlite.insert(table)
        case "postgresql":
            return postgresql.insert(table)
        case other:
            msg = f"Records cannot be kept in '{other}'. Use SQLite or PostgreSQL."
            raise RecordsError(msg)
