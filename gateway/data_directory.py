"""The data directory: what lies in it, and that one gateway at a time works on it."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from typing import Final

__all__ = [
    "JOURNAL_FILE",
    "RECORDS_FILE",
    "STATUS_FILE",
    "WATCH_FILE",
    "DataDirectory",
    "DataDirectoryError",
]

JOURNAL_FILE: Final = "journal.sqlite"
RECORDS_FILE: Final = "records.sqlite"
STATUS_FILE: Final = "status.json"
WATCH_FILE: Final = "watch.json"
_LOCK_FILE: Final = "gateway.lock"


class DataDirectoryError(Exception):
    """The data directory cannot be used; the text says what to do."""


class DataDirectory:
    """A directory that this process alone uses as a gateway, until closed.

    The lock is the operating system's (flock): it ends with the process, however that ends.
    """

    def __init__(self, path: Path) -> None:
        """Make the directory if there is none, and take its lock."""
        self.path = path
        try:
            path.mkdir(parents=True, exist_ok=True)
            self._lock = os.open(path / _LOCK_FILE, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            msg = (
                f"The data directory {path} cannot be used: {error.strerror or error}. Name "
                "another with --data, or give the gateway's user the right to write there."
            )
            raise DataDirectoryError(msg) from error
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(self._lock)
            msg = (
                f"Another gateway is working on {path}. Stop it first, or name another directory "
                "with --data. Nothing has been started."
            )
            raise DataDirectoryError(msg) from error

    def close(self) -> None:
        """Let others use the directory."""
        os.close(self._lock)
