"""The bytes of a journal entry: a header with version, kind and checksum, then compressed data.

Samples are written column by column, only the signals that any frame carries, each by its
catalogue name, so entries stay readable when the catalogue grows. Readings are decimals that recur,
so a column of whole float64 compresses well as it stands, and values come back bit for bit. The
other kinds are MessagePack.
"""

from __future__ import annotations

import struct
import zlib
from typing import Any, Final, NamedTuple

import msgspec
import numpy as np

from gateway.batch import Batch, Reject, SiteStatus
from gateway.journal.entries import Clock, DamagedEntryError, Entry, Rejects
from rules.events import Action
from rules.signals import INDEX, N_SIGNALS, SIGNALS

__all__ = ["KINDS", "SAMPLES", "Encoded", "decode", "encode"]

VERSION: Final = 1
SAMPLES, REJECTS, CLOCK, STATUS, ACTION = range(1, 6)
KINDS: Final = {SAMPLES: "samples", REJECTS: "rejects", CLOCK: "clock", STATUS: "status",
                ACTION: "action"}  # fmt: skip

_HEADER: Final = struct.Struct("<BBI")  # version, kind, CRC-32 of both and of all that follows
_COLUMNS: Final = struct.Struct("<IHH")  # frames, signals carried, bytes of their names
_COMPRESSION: Final = 1  # higher levels cost three times the time for a tenth less room
_PLAIN: Final[dict[int, Any]] = {
    REJECTS: msgspec.msgpack.Decoder(tuple[Reject, ...]),
    CLOCK: msgspec.msgpack.Decoder(Clock),
    STATUS: msgspec.msgpack.Decoder(SiteStatus),
    ACTION: msgspec.msgpack.Decoder(Action),
}
_pack: Final = msgspec.msgpack.Encoder().encode


class Encoded(NamedTuple):
    """An entry ready to be stored: its kind, how many frames or refusals it holds, its bytes."""

    kind: int
    weight: int
    payload: bytes


def encode(entry: Entry) -> Encoded:
    """The entry as bytes."""
    match entry:
        case Batch():
            kind, weight, body = SAMPLES, len(entry), _columns(entry)
        case Rejects():
            kind, weight, body = REJECTS, len(entry.items), _pack(entry.items)
        case Clock():
            kind, weight, body = CLOCK, 1, _pack(entry)
        case SiteStatus():
            kind, weight, body = STATUS, 1, _pack(entry)
        case Action():
            kind, weight, body = ACTION, 1, _pack(entry)
    packed = zlib.compress(body, _COMPRESSION)
    return Encoded(
        kind, max(1, weight), _HEADER.pack(VERSION, kind, _checksum(VERSION, kind, packed)) + packed
    )


def decode(payload: bytes) -> Entry:
    """The entry of these bytes.

    Raises :class:`DamagedEntryError` when they are not what :func:`encode` wrote, or when a newer
    version wrote them.
    """
    try:
        version, kind, checksum = _HEADER.unpack_from(payload)
    except struct.error:
        msg = f"{len(payload)} bytes are too few for an entry"
        raise DamagedEntryError(msg) from None
    packed = payload[_HEADER.size :]
    if checksum != _checksum(version, kind, packed):
        msg = "the checksum does not agree with the bytes"
        raise DamagedEntryError(msg)
    if version != VERSION or kind not in KINDS:
        msg = (
            f"an entry of form {version}, kind {kind}, which this version of the program does not "
            "know; a newer one wrote it"
        )
        raise DamagedEntryError(msg)
    try:
        body = zlib.decompress(packed)
        if kind == SAMPLES:
            return _batch(body)
        value = _PLAIN[kind].decode(body)
    except (zlib.error, struct.error, ValueError, msgspec.MsgspecError) as error:
        msg = f"a {KINDS[kind]} entry whose contents do not fit its form ({error})"
        raise DamagedEntryError(msg) from error
    return Rejects(value) if kind == REJECTS else value


def _checksum(version: int, kind: int, packed: bytes) -> int:
    return zlib.crc32(packed, zlib.crc32(bytes((version, kind))))


def _columns(batch: Batch) -> bytes:
    # Of no frames, no signal is carried (all of nothing is true).
    carried = np.flatnonzero(~np.isnan(batch.values).all(axis=0))
    names = "\n".join(SIGNALS[i].name for i in carried).encode()
    return b"".join(
        (
            _COLUMNS.pack(len(batch), len(carried), len(names)),
            names,
            batch.unit_row.astype("<i4").tobytes(),
            # Differences wrap and unwrap alike, so even absurd times come back exactly.
            np.diff(batch.time_ms.astype("<i8"), prepend=np.int64(0)).tobytes(),
            np.ascontiguousarray(batch.values[:, carried].T, dtype="<f8").tobytes(),
        )
    )


def _batch(body: bytes) -> Batch:
    n, n_carried, names_bytes = _COLUMNS.unpack_from(body)
    at = _COLUMNS.size
    names = body[at : at + names_bytes].decode().split("\n") if n_carried else []
    at += names_bytes
    if len(body) != at + n * (4 + 8 + 8 * n_carried) or len(names) != n_carried:
        msg = f"{len(body)} bytes for {n} frames of {n_carried} signals"
        raise ValueError(msg)
    unknown = [name for name in names if name not in INDEX]
    if unknown:
        msg = f"signals that this version does not know: {unknown!a:.200}"
        raise ValueError(msg)
    unit_row = np.frombuffer(body, "<i4", n, at).astype(np.int32)
    time_ms = np.cumsum(np.frombuffer(body, "<i8", n, at + 4 * n), dtype=np.int64)
    values = np.full((n, N_SIGNALS), np.nan)
    values[:, [INDEX[name] for name in names]] = (
        np.frombuffer(body, "<f8", n_carried * n, at + 12 * n).reshape(n_carried, n).T
    )
    return Batch(unit_row, time_ms, values)
