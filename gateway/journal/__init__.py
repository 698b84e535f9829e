"""The journal: the durable, ordered log between what comes in and those who read it."""

from gateway.journal.entries import (
    Backlog,
    Chunk,
    Clock,
    DamagedEntryError,
    Entry,
    Fill,
    Journal,
    JournalError,
    JournalFull,
    JournalState,
    JournalUnavailable,
    Notes,
    Rejects,
    Stored,
)
from gateway.journal.sqlite import SqliteJournal

__all__ = [
    "Backlog",
    "Chunk",
    "Clock",
    "DamagedEntryError",
    "Entry",
    "Fill",
    "Journal",
    "JournalError",
    "JournalFull",
    "JournalState",
    "JournalUnavailable",
    "Notes",
    "Rejects",
    "SqliteJournal",
    "Stored",
]
