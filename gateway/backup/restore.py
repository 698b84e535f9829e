"""Restoring a backup into an empty data directory, so that a gateway can go on from it.

Everything is taken out and checked beside its place, and moved there only when all of it is sound.
What the lost gateway did after the backup is not known here, so three things are changed:

- Mails that were waiting are sent, but marked as possibly sent before; their Message-ID stays.
- The installation gets another id, which is part of new Message-IDs, and numbers of new tickets go
  on beyond all that the lost gateway can have given: neither a mail program nor a person may take
  one ticket for another.
- Requests of people get numbers beyond all that the journal has seen, or a new request would be
  taken for an old one and passed over.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
import tarfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import IO, Final

import msgspec

from gateway.backup.manifest import (
    DATA,
    FLEET,
    MANIFEST,
    BackupError,
    File,
    Manifest,
    allowed,
    refuse_newer,
)
from gateway.data_directory import (
    JOURNAL_FILE,
    RECORDS_FILE,
    DataDirectory,
    DataDirectoryError,
)
from gateway.journal import JournalError, SqliteJournal
from gateway.records import RecordsError
from gateway.records.moving import move_records, refit

__all__ = ["read_manifest", "restore"]

_CHUNK_BYTES: Final = 1 << 20
_MANIFEST_BYTES: Final = 4 << 20
_WORK: Final = ".restoring"
_HARMLESS: Final = frozenset({"lost+found", "gateway.lock"})


def restore(
    source: Path,
    data_dir: Path,
    fleet_dir: Path | None = None,
    records_url: str | None = None,
    *,
    numbers_beyond: int = 0,
) -> tuple[Manifest, int]:
    """Put the files of a backup into ``data_dir``, and the settings into ``fleet_dir`` if given.

    Both must be absent or empty. With ``records_url`` the records go into that database, which
    must be empty, else into the data directory. Numbers of new tickets go on beyond
    ``numbers_beyond``, and beyond what the lost gateway can have given; the number after which they
    do comes with the manifest. Raises :class:`BackupError`; nothing is then put in place.
    """
    with _told(source):
        _refuse_full(data_dir)
        if fleet_dir is not None:
            _refuse_full(fleet_dir)
        with tarfile.open(source, "r:") as tar:
            manifest = _manifest(tar, source)
            refuse_newer(manifest)
            with closing(DataDirectory(data_dir)):
                work = data_dir / _WORK
                work.mkdir()
                try:
                    _take_out(tar, manifest, work, source)
                    elapsed_s = time.time() - manifest.made_ms / 1000
                    beyond = _make_fit(work / DATA, elapsed_s, numbers_beyond)
                    _put_in_place(work, data_dir, fleet_dir, records_url)
                finally:
                    shutil.rmtree(work)
    return manifest, beyond


def read_manifest(source: Path) -> Manifest:
    """What a backup says of itself; :class:`BackupError` where it is none."""
    with _told(source), tarfile.open(source, "r:") as tar:
        return _manifest(tar, source)


def _put_in_place(
    work: Path, data_dir: Path, fleet_dir: Path | None, records_url: str | None
) -> None:
    data, fleet = work / DATA, work / FLEET
    try:
        if fleet_dir is not None and fleet.is_dir():
            shutil.copytree(fleet, fleet_dir, dirs_exist_ok=True)
        if records_url is not None:
            move_records(data / RECORDS_FILE, records_url)
            (data / RECORDS_FILE).unlink()
    except BaseException:
        if fleet_dir is not None:
            shutil.rmtree(fleet_dir, ignore_errors=True)  # there was nothing else in it
        raise
    # The journal last: without it there is no gateway's data, and nothing goes on from a half.
    names = sorted((p.name for p in data.iterdir()), key=lambda name: name == JOURNAL_FILE)
    for name in names:
        _sync(data / name)
        (data / name).replace(data_dir / name)
    _sync(data_dir)


def _make_fit(data: Path, elapsed_s: float, numbers_beyond: int) -> int:
    """See the module's beginning. Opening the files also brings them to this version's form."""
    with closing(SqliteJournal(data / JOURNAL_FILE)) as journal, journal.transaction("read") as db:
        (last_action,) = db.execute("SELECT coalesce(max(id), 0) FROM actions").fetchone()
    return refit(data / RECORDS_FILE, last_action, elapsed_s, numbers_beyond)


def _refuse_full(directory: Path) -> None:
    if not directory.exists():
        return
    found = sorted(p.name for p in directory.iterdir() if p.name not in _HARMLESS)
    if found:
        msg = (
            f"{directory} is not empty (it holds {found[0]}), and nothing is overwritten. Name "
            "another directory, or move what is there away. Nothing was written."
        )
        raise BackupError(msg)


def _manifest(tar: tarfile.TarFile, source: Path) -> Manifest:
    cut = f"{source} has no manifest: it is no backup, or was cut off. Take another copy of it."
    try:
        member = tar.getmember(MANIFEST)
    except KeyError:
        raise BackupError(cut) from None
    file = tar.extractfile(member)
    if file is None or member.size > _MANIFEST_BYTES:
        raise BackupError(cut)
    try:
        manifest = msgspec.json.decode(file.read(), type=Manifest)
    except msgspec.MsgspecError as error:
        msg = f"The manifest of {source} cannot be read ({error}). Take another copy of it."
        raise BackupError(msg) from error
    odd = [f.name for f in manifest.files if not allowed(f.name)]
    absent = [n for n in (RECORDS_FILE, JOURNAL_FILE) if not manifest.has(DATA + n)]
    if odd or absent:
        what = f"names a file {odd[0]!r}" if odd else f"has no {absent[0]}"
        msg = f"{source} {what}, as no backup does. Nothing was written."
        raise BackupError(msg)
    return manifest


def _take_out(tar: tarfile.TarFile, manifest: Manifest, work: Path, source: Path) -> None:
    for entry in manifest.files:
        path = work / entry.name
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            file = tar.extractfile(entry.name)
        except KeyError:
            file = None
        if file is None or not _taken_out(file, entry, path):
            msg = (
                f"{entry.name} in {source} is not what was backed up: its size or checksum "
                "differs from the manifest's. Take another copy of the backup. Nothing was written."
            )
            raise BackupError(msg)


def _taken_out(file: IO[bytes], entry: File, path: Path) -> bool:
    sha256, size = hashlib.sha256(), 0
    with file, path.open("xb") as target:
        while chunk := file.read(_CHUNK_BYTES):
            sha256.update(chunk)
            size += len(chunk)
            target.write(chunk)
    return (size, sha256.hexdigest()) == (entry.bytes, entry.sha256)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def _told(source: Path) -> Iterator[None]:
    try:
        yield
    except tarfile.TarError as error:
        msg = f"{source} is no backup, or is damaged: {error}. Take another copy of it."
        raise BackupError(msg) from error
    except (JournalError, RecordsError, DataDirectoryError, sqlite3.Error) as error:
        msg = f"The backup was not restored. {error}"
        raise BackupError(msg) from error
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        msg = f"The backup was not restored: {where}{error.strerror or error}."
        raise BackupError(msg) from error
