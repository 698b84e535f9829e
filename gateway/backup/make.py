"""Making a backup while the gateway runs.

Each part is copied as it stands at one moment, and the order of the moments makes the whole one
from which a gateway can go on:

1. the snapshots of the rules' memory: what they hold is committed, so they are never ahead of
2. the records, committed up to some offset of the journal, which is copied after them, so
3. the journal holds all that the records rest on, and what came since, which is judged when the
   restored gateway starts; its unit register and its readers' offsets are in it;
4. telemetry last: it has all samples up to the store reader's offset in the copied journal, and
   what it has beyond is written again without harm.

Between 1 and 3 the journal may be trimmed beyond the copied snapshots. Then it is begun again.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tarfile
import tempfile
import time
import tomllib
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from io import BytesIO
from pathlib import Path
from typing import IO, Any, Final, NamedTuple

import msgspec

from gateway.backup.manifest import (
    DATA,
    FLEET,
    FORM,
    MANIFEST,
    BackupError,
    File,
    Manifest,
    Offsets,
    versions_here,
)
from gateway.data_directory import JOURNAL_FILE, RECORDS_FILE, WATCH_FILE
from gateway.journal import JournalError, SqliteJournal
from gateway.records import Records, RecordsError
from gateway.records.moving import copy_records, server_of
from gateway.snapshot import NAMES, SnapshotFiles
from gateway.sqlite_copy import copy_sqlite
from gateway.store_reader import STORE_READER
from gateway.telemetry import TELEMETRY_FILE

__all__ = ["make_backup"]

_TRIES: Final = 3
_SETTINGS: Final = ("fleet.toml", "oncall.toml", "crews.toml", "sites/*.toml")


class _Join(NamedTuple):
    offsets: Offsets
    whole: bool


def make_backup(
    target: Path, data_dir: Path, records_url: str, fleet_dir: Path | None = None
) -> Manifest:
    """Write a backup of the data directory, records and settings into one new tar file.

    Whether the gateway runs does not matter. Only ``fleet.toml``, ``oncall.toml`` and site files
    are taken from ``fleet_dir``: files with passwords stay where they are. Raises
    :class:`BackupError`; ``target`` is then not there.
    """
    _refuse(target, data_dir)
    with _told(), tempfile.TemporaryDirectory(dir=target.parent, prefix=".backup-") as folder:
        work = Path(folder)
        for attempt in range(_TRIES):
            joined = _copy_core(work, data_dir, records_url)
            if joined.whole or attempt == _TRIES - 1:
                break
        partial = work / "backup.tar"
        with tarfile.open(partial, "w", format=tarfile.PAX_FORMAT) as tar:
            files = [
                _add(tar, DATA + name, work / name)
                for name in (RECORDS_FILE, JOURNAL_FILE, WATCH_FILE, *NAMES)
                if (work / name).exists()
            ]
            if (data_dir / TELEMETRY_FILE).exists():
                copy_sqlite(data_dir / TELEMETRY_FILE, work / TELEMETRY_FILE)
                files.append(_add(tar, DATA + TELEMETRY_FILE, work / TELEMETRY_FILE))
            for name, path in _settings(fleet_dir):
                files.append(_add(tar, FLEET + name, path, keep=True))
            manifest = Manifest(
                FORM,
                time.time_ns() // 1_000_000,
                versions_here(),
                joined.offsets,
                tuple(files),
                tuple(_notes(joined, records_url, fleet_dir, data_dir)),
            )
            _add_bytes(tar, MANIFEST, msgspec.json.format(msgspec.json.encode(manifest), indent=1))
        _publish(partial, target)
    return manifest


def _refuse(target: Path, data_dir: Path) -> None:
    if target.exists():
        msg = f"{target} exists and is not overwritten. Name another file. Nothing was written."
        raise BackupError(msg)
    if not target.parent.is_dir():
        msg = f"The directory {target.parent} does not exist. Make it first."
        raise BackupError(msg)
    if not (data_dir / JOURNAL_FILE).exists():
        msg = (
            f"There is no gateway's data in {data_dir} ({JOURNAL_FILE} does not exist). Give the "
            "data directory of the gateway with --data DIR. Nothing was written."
        )
        raise BackupError(msg)


def _copy_core(work: Path, data_dir: Path, records_url: str) -> _Join:
    """Snapshots, records and journal, in this order; how far each reaches."""
    for name in (RECORDS_FILE, JOURNAL_FILE, WATCH_FILE, *NAMES):
        (work / name).unlink(missing_ok=True)
    # The older first: should one be renamed to be the other meanwhile, the newer is copied twice.
    for name in (WATCH_FILE, *reversed(NAMES)):
        with suppress(FileNotFoundError):
            shutil.copyfile(data_dir / name, work / name)
    copy_records(records_url, work / RECORDS_FILE)
    copy_sqlite(data_dir / JOURNAL_FILE, work / JOURNAL_FILE)
    with closing(Records(f"sqlite:///{(work / RECORDS_FILE).absolute()}")) as records:
        committed = records.committed_offset()
    with closing(SqliteJournal(work / JOURNAL_FILE)) as journal:
        state = journal.state()
        store = journal.reader_offset(STORE_READER)
    snapshots = [s.offset for s in SnapshotFiles(work).load() if s.offset <= committed]
    begins_at = max(snapshots, default=0)
    return _Join(
        Offsets(
            max(snapshots, default=None), committed, state.first_offset, state.last_offset, store
        ),
        whole=state.first_offset <= begins_at + 1 and committed <= state.last_offset,
    )


def _notes(
    joined: _Join, records_url: str, fleet_dir: Path | None, data_dir: Path
) -> Iterator[str]:
    if not joined.whole:
        yield (
            "The journal does not join on to the rules' last snapshot and the records, as it does "
            "not in the running gateway: what was learned before may be learned anew."
        )
    if server := server_of(records_url):
        yield f"The records were on a server ({server}); here they are a file."
    if (store := _store_table(fleet_dir)).get("kind") == "influxdb":
        yield (
            f"Samples are kept by the server at {store.get('url', '')}, and are not in this "
            "backup: use the server's own tool, after this one."
        )
    elif not (data_dir / TELEMETRY_FILE).exists():
        yield "There were no samples in the data directory."


def _store_table(fleet_dir: Path | None) -> dict[str, Any]:
    """[store] of fleet.toml, as far as it can be read: a faulty file is backed up too."""
    try:
        data = tomllib.loads((fleet_dir / "fleet.toml").read_text()) if fleet_dir else {}
    except (OSError, ValueError):
        return {}
    store = data.get("store", {})
    return store if isinstance(store, dict) else {}


def _settings(fleet_dir: Path | None) -> Iterator[tuple[str, Path]]:
    if fleet_dir is None:
        return
    for pattern in _SETTINGS:
        for path in sorted(fleet_dir.glob(pattern)):
            yield path.relative_to(fleet_dir).as_posix(), path


class _Hashed:
    """A file that is hashed while it is read."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self.sha256 = hashlib.sha256()

    def read(self, size: int = -1) -> bytes:
        data = self._file.read(size)
        self.sha256.update(data)
        return data


def _add(tar: tarfile.TarFile, name: str, path: Path, *, keep: bool = False) -> File:
    with path.open("rb") as file:
        info = _info(name, os.fstat(file.fileno()).st_size)
        hashed = _Hashed(file)
        tar.addfile(info, hashed)
    if not keep:
        path.unlink()
    return File(name, info.size, hashed.sha256.hexdigest())


def _add_bytes(tar: tarfile.TarFile, name: str, data: bytes) -> None:
    tar.addfile(_info(name, len(data)), BytesIO(data))


def _info(name: str, size: int) -> tarfile.TarInfo:
    info = tarfile.TarInfo(name)
    info.size, info.mode, info.mtime = size, 0o600, int(time.time())
    return info


def _publish(partial: Path, target: Path) -> None:
    """Give the finished file its name: a whole backup or none."""
    partial.chmod(0o600)
    with partial.open("rb") as file:
        os.fsync(file.fileno())
    if target.exists():
        msg = f"{target} has come into being meanwhile and is not overwritten."
        raise BackupError(msg)
    partial.replace(target)
    directory = os.open(target.parent, os.O_RDONLY)
    try:
        os.fsync(directory)
    finally:
        os.close(directory)


@contextmanager
def _told() -> Iterator[None]:
    try:
        yield
    except (JournalError, RecordsError) as error:
        msg = f"The backup was not made. {error}"
        raise BackupError(msg) from error
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        msg = (
            f"The backup was not made: {where}{error.strerror or error}. See that the disk has "
            "room for the data twice and that this user may read and write there."
        )
        raise BackupError(msg) from error
