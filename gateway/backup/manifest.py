"""What a backup holds: the names of its files, their sizes and checksums, versions and offsets.

A backup is a tar file. Its last member is the manifest, in JSON, so a backup that was cut off has
none. Names are fixed: nothing else is ever taken out of a backup.
"""

from __future__ import annotations

import re
from importlib import metadata
from typing import Final, NamedTuple

import msgspec

from gateway.data_directory import JOURNAL_FILE, RECORDS_FILE, WATCH_FILE
from gateway.journal import sqlite as journal_file
from gateway.records.session import revisions
from gateway.snapshot import NAMES as SNAPSHOT_FILES
from gateway.telemetry import TELEMETRY_FILE
from gateway.telemetry import sqlite_file as telemetry_file

__all__ = [
    "DATA",
    "FLEET",
    "FORM",
    "MANIFEST",
    "BackupError",
    "File",
    "Manifest",
    "Offsets",
    "Versions",
    "allowed",
    "refuse_newer",
    "versions_here",
]

FORM: Final = 1
MANIFEST: Final = "manifest.json"
DATA: Final = "data/"
FLEET: Final = "fleet/"

_DATA_FILES: Final = frozenset(
    {JOURNAL_FILE, RECORDS_FILE, TELEMETRY_FILE, WATCH_FILE, *SNAPSHOT_FILES}
)
_FLEET_FILES: Final = re.compile(r"(fleet|oncall|crews|sites/[^/\0]{1,200})\.toml")


class BackupError(Exception):
    """A backup cannot be made or restored; the text says why and what to do."""


class File(NamedTuple):
    """One file of a backup."""

    name: str
    bytes: int
    sha256: str


class Versions(msgspec.Struct, frozen=True):
    """Forms of the files: the records' revision, the layouts of journal and telemetry."""

    program: str
    records: str
    journal: int
    telemetry: int


class Offsets(msgspec.Struct, frozen=True):
    """How far into the journal each part reaches; snapshot is None where there is none."""

    snapshot: int | None
    records: int
    journal_first: int
    journal_last: int
    store: int


class Manifest(msgspec.Struct, frozen=True):
    """All about a backup. ``notes`` are sentences that whoever restores it should read."""

    form: int
    made_ms: int
    versions: Versions
    offsets: Offsets
    files: tuple[File, ...]
    notes: tuple[str, ...] = ()

    @property
    def total_bytes(self) -> int:
        """Bytes of all files."""
        return sum(f.bytes for f in self.files)

    def has(self, name: str) -> bool:
        """Whether there is such a file."""
        return any(f.name == name for f in self.files)


def allowed(name: str) -> bool:
    """Whether a backup may hold a file of this name."""
    if name.startswith(DATA):
        return name.removeprefix(DATA) in _DATA_FILES
    return (
        name.startswith(FLEET)
        and ".." not in name
        and _FLEET_FILES.fullmatch(name.removeprefix(FLEET)) is not None
    )


def versions_here() -> Versions:
    """The forms that this program writes."""
    try:
        program = metadata.version("basinward")
    except metadata.PackageNotFoundError:
        program = ""
    return Versions(program, revisions()[-1], journal_file.SCHEMA_VERSION, telemetry_file.LAYOUT)


def refuse_newer(manifest: Manifest) -> None:
    """Raise :class:`BackupError` for a backup with forms that this program does not know."""
    here, there = versions_here(), manifest.versions
    newer = [
        what
        for what, is_newer in (
            (f"form {manifest.form}", manifest.form > FORM),
            (f"records of revision {there.records}", there.records not in revisions()),
            (f"a journal of form {there.journal}", there.journal > here.journal),
            (f"telemetry of layout {there.telemetry}", there.telemetry > here.telemetry),
        )
        if is_newer
    ]
    if newer:
        msg = (
            f"The backup was made by a newer version ({there.program}) and has {', '.join(newer)}, "
            f"which this version ({here.program}) does not know. Install that version, or a later "
            "one, and restore with it. Nothing was written."
        )
        raise BackupError(msg)
