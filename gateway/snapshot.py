"""The rules' memory on disk: a snapshot with the journal offset it belongs to, and the one before.

A snapshot is written beside the old ones and renamed into place, so a crash leaves a whole file or
none. The one before is kept: should the newest prove unreadable, the rules begin from it, which is
why the journal is trimmed only behind the older of the two.
"""

from __future__ import annotations

import logging
import os
import struct
import zlib
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Final

__all__ = ["Snapshot", "SnapshotError", "SnapshotFiles"]

log = logging.getLogger(__name__)

NAMES: Final = ("snapshot.bin", "snapshot.previous.bin")
_MAGIC: Final = b"basinward snapshot\n"
_VERSION: Final = 1
# version, journal offset, bytes before and after compression, SHA-256 of what follows
_HEADER: Final = struct.Struct("<HqQQ32s")


class SnapshotError(Exception):
    """A snapshot could not be written or is not readable; the text says what to do."""


@dataclass(frozen=True)
class Snapshot:
    """The rules' memory after the journal entry at ``offset``."""

    offset: int
    data: bytes


class SnapshotFiles:
    """The two snapshots in a directory. Used by one thread; :attr:`safe_offset` read by any."""

    def __init__(self, directory: Path) -> None:
        """Nothing is read yet."""
        self._paths = tuple(directory / name for name in NAMES)
        self._offsets: tuple[int | None, ...] = (None, None)

    @property
    def safe_offset(self) -> int:
        """Up to here the journal is not needed to rebuild the rules' memory: the older's offset.

        0 until there are two readable snapshots.
        """
        older = self._offsets[1]
        return older if self._offsets[0] is not None and older is not None else 0

    @property
    def offset(self) -> int:
        """The newest snapshot's offset, 0 if there is none."""
        return next((o for o in self._offsets if o is not None), 0)

    def load(self) -> list[Snapshot]:
        """The readable snapshots, the newest first; an unreadable one is reported."""
        found: list[Snapshot | None] = []
        for path in self._paths:
            try:
                found.append(_read(path))
            except FileNotFoundError:
                found.append(None)
            except (OSError, SnapshotError) as error:
                log.warning("The snapshot %s cannot be used: %s", path, error)
                found.append(None)
        self._offsets = tuple(s.offset if s else None for s in found)
        return [s for s in found if s is not None]

    def save(self, snapshot: Snapshot) -> None:
        """Make this the newest snapshot and the newest the one before.

        Raises :class:`SnapshotError` where the disk does not allow it; the old ones still stand.
        """
        newest, before = self._paths
        partial = newest.with_suffix(".part")
        try:
            with partial.open("wb") as file:
                file.write(_bytes(snapshot))
                file.flush()
                os.fsync(file.fileno())
            if self._offsets[0] is not None:
                newest.replace(before)
                self._offsets = (None, self._offsets[0])
            partial.replace(newest)
            directory = os.open(newest.parent, os.O_RDONLY)
            try:
                os.fsync(directory)
            finally:
                os.close(directory)
        except OSError as error:
            msg = (
                f"The snapshot {newest} cannot be written: {error}. Free some room, or give the "
                "gateway's user the right to write there. Until then the journal keeps growing "
                "and a restart takes longer; nothing is lost."
            )
            raise SnapshotError(msg) from error
        self._offsets = (snapshot.offset, self._offsets[1])


def _bytes(snapshot: Snapshot) -> bytes:
    packed = zlib.compress(snapshot.data, 1)
    head = _HEADER.pack(
        _VERSION,
        snapshot.offset,
        len(snapshot.data),
        len(packed),
        _digest(snapshot.offset, packed),
    )
    return _MAGIC + head + packed


def _read(path: Path) -> Snapshot:
    raw = path.read_bytes()
    start = len(_MAGIC) + _HEADER.size
    if not raw.startswith(_MAGIC) or len(raw) < start:
        msg = "it is not a snapshot, or was cut off."
        raise SnapshotError(msg)
    version, offset, plain_bytes, packed_bytes, digest = _HEADER.unpack_from(raw, len(_MAGIC))
    if version != _VERSION:
        msg = f"it has form {version}, this version of the program knows {_VERSION}."
        raise SnapshotError(msg)
    packed = raw[start:]
    if len(packed) != packed_bytes or _digest(offset, packed) != digest:
        msg = "its bytes are not what was written; check the disk."
        raise SnapshotError(msg)
    data = zlib.decompress(packed)
    if len(data) != plain_bytes:
        msg = f"it holds {len(data)} bytes, not {plain_bytes}."
        raise SnapshotError(msg)
    return Snapshot(offset, data)


def _digest(offset: int, packed: bytes) -> bytes:
    return sha256(offset.to_bytes(8, "little", signed=True) + packed).digest()
