"""What a database's errors mean for the records, in words that say what to do.

Trouble that may pass becomes :class:`RecordsUnavailable`: the caller does the same step again
later. What only a person can mend becomes :class:`RecordsError`. A broken statement or constraint
is a defect of the program and stays what it is.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy.engine import URL
from sqlalchemy.exc import DBAPIError, InterfaceError, OperationalError

__all__ = ["RecordsError", "RecordsUnavailable", "is_sqlite", "meaning", "shown"]

_FILE_ADVICE: Final = (
    ("full", "the disk is full: free space or move the data directory to a larger disk"),
    ("locked", "another program holds the write lock: close any tool that has the file open"),
    ("readonly", "the file may not be written: check the owner and mode of the data directory"),
    ("unable to open", "the file cannot be opened: check that its directory exists and is ours"),
    ("malformed", "the file is damaged: stop the gateway and restore the file from a backup"),
    ("not a database", "the file is no database: move it away, or correct the records' URL"),
    ("i/o error", "the disk reported an error: check the disk"),
)

# SQLSTATE codes, the longest that fits counts (PostgreSQL documentation, appendix A).
_SERVER_ADVICE: Final = {
    "08": "the connection to the server broke: check server and network",
    "25006": "the server takes no writing, as a standby does: name the primary server",
    "28": "the server does not let us in: check user and password, and its pg_hba.conf",
    "3D000": "there is no such database: create it, or correct the records' URL",
    "40": "two transactions were in each other's way",
    "53": "the server is short of something: see its log",
    "53100": "the server's disk is full: free space on it",
    "53300": "the server has no connection left: raise its max_connections, or close some",
    "55P03": "another program holds the write lock: look for a session that does not end",
    "57": "the server is going down or starting: wait for it",
    "58": "the server's disk or system reported an error: see its log",
}
# Before there is a session the driver gives no code, only the server's words.
_CONNECT_ADVICE: Final = (
    ("password", _SERVER_ADVICE["28"]),
    ("pg_hba", _SERVER_ADVICE["28"]),
    ("does not exist", "create the database and its user, or correct the records' URL"),
)
_NO_RIGHT: Final = "42501"


class RecordsError(Exception):
    """The records cannot do what was asked; the text says why and what to do."""


class RecordsUnavailable(RecordsError):  # says what is the case; not a bug of ours
    """The records cannot be reached or written now; try again later.

    Nothing was written, unless ``uncertain``: then the connection broke while the server was
    committing, and only the records themselves can tell, once they can be read again.
    """

    def __init__(self, message: str, *, uncertain: bool = False) -> None:
        """The text says what to do."""
        super().__init__(message)
        self.uncertain = uncertain


def is_sqlite(url: URL) -> bool:
    """Whether the records are one file."""
    return url.get_backend_name() == "sqlite"


def shown(url: URL) -> str:
    """Where the records are, without password and options."""
    if is_sqlite(url):
        return url.database or "memory"
    return url.set(query={}).render_as_string(hide_password=True)


def meaning(error: DBAPIError, url: URL, what: str, *, committing: bool) -> RecordsError | None:
    """What the error tells the caller; None where it is a defect of the program.

    ``what`` completes 'the records cannot be …'.
    """
    cause = " ".join(str(error.orig).split())
    code = getattr(error.orig, "sqlstate", None) or ""
    if is_sqlite(url):
        advice = next((a for word, a in _FILE_ADVICE if word in cause.lower()), None)
    elif code == _NO_RIGHT:
        return RecordsError(
            f"The records at {shown(url)} cannot be {what} ({cause}): the user lacks a right. Make "
            "it the owner of the database (ALTER DATABASE … OWNER TO …). Nothing was changed."
        )
    elif code:
        fitting = [key for key in _SERVER_ADVICE if code.startswith(key)]
        advice = _SERVER_ADVICE[max(fitting, key=len)] if fitting else None
    elif isinstance(error, OperationalError | InterfaceError):
        fit = (a for word, a in _CONNECT_ADVICE if word in cause.lower())
        advice = next(fit, "check that the database server runs and can be reached")
    else:
        advice = None
    if advice is None:
        return None
    uncertain = committing and not is_sqlite(url)
    outcome = (
        "Whether the last step was written is not known; the gateway sees for itself when it "
        "repeats it, a person should look before doing so."
        if uncertain
        else "Nothing was written; the step is repeated later."
    )
    return RecordsUnavailable(
        f"The records at {shown(url)} cannot be {what} now ({cause}): {advice}. {outcome}",
        uncertain=uncertain,
    )
