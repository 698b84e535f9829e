"""Text in the records: what a database cannot hold is replaced, and order is the same everywhere.

PostgreSQL refuses U+0000, and no database takes half of a surrogate pair. Both can arrive from
outside (topics, a mail server's replies, a terminal's arguments), so every text that is written
passes through here. Servers sort text by their own locale; what is shown in order must not depend
on that, so it is ordered by code points, as SQLite does.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, Dialect, Text
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import GenericFunction
from sqlalchemy.types import TypeDecorator

__all__ = ["CleanText", "by_code_points", "storable"]

_NOT_TEXT = "�"  # U+FFFD, the replacement character


def storable(text: str) -> str:
    """The text with U+FFFD in place of U+0000 and '?' in place of lone surrogates."""
    if text.isascii():
        return text.replace("\0", _NOT_TEXT) if "\0" in text else text
    return text.encode("utf-8", "replace").decode("utf-8").replace("\0", _NOT_TEXT)


class CleanText(TypeDecorator[str]):
    """Text of any length that every database takes, see :func:`storable`."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> str | None:
        """What is written, and what is compared with, in the form in which it is stored."""
        del dialect
        return None if value is None else storable(value)


class _ByCodePoints(GenericFunction[str]):
    name = "by_code_points"
    inherit_cache = True
    type = Text()


@compiles(_ByCodePoints)
def _plain(element: _ByCodePoints, compiler: SQLCompiler, **options: Any) -> str:
    return compiler.process(element.clauses, **options)


@compiles(_ByCodePoints, "postgresql")
def _collated(element: _ByCodePoints, compiler: SQLCompiler, **options: Any) -> str:
    return f'{compiler.process(element.clauses, **options)} COLLATE "C"'


def by_code_points(column: ColumnElement[str]) -> ColumnElement[str]:
    """The column for an ORDER BY that gives one order on all databases."""
    return _ByCodePoints(column)
