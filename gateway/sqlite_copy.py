"""A copy of an SQLite file that others are writing to, as it stood at one moment."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

__all__ = ["copy_sqlite"]


def copy_sqlite(source: Path, target: Path) -> None:
    """Copy the file as it stands at this moment; whoever writes to it goes on.

    Raises :class:`OSError` where the file cannot be read or the copy cannot be written.
    """
    try:
        with (
            closing(sqlite3.connect(f"{source.absolute().as_uri()}?mode=ro", uri=True)) as there,
            closing(sqlite3.connect(target)) as here,
        ):
            # In one step: one read transaction, which in WAL mode no writer waits for. Copied in
            # several, it would begin anew after each write of another process.
            there.backup(here)
    except sqlite3.Error as error:
        msg = f"{source} cannot be copied to {target}: {error}"
        raise OSError(msg) from error
