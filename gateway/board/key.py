"""The key that signs links: from the environment or a file that fleet.toml names, or made here.

Gateway and board must have the same one. Where fleet.toml names none, whichever of the two comes
first makes one in the data directory, readable by its own user alone.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import stat
import tempfile
from pathlib import Path
from typing import Final

from gateway.board.links import SHORTEST_KEY, Signer
from gateway.board.settings import BoardSettings

__all__ = ["KEY_FILE", "signer_of"]

KEY_FILE: Final = "board-key"
"""Not in backups: a link holds for days, and a restored gateway makes another key."""


def signer_of(settings: BoardSettings, data_dir: Path, installation: str) -> Signer:
    """The signer by the settings' secret, or by the key of the data directory.

    ``installation`` is the id of the records that the links are to tickets of.

    Raises OSError where the key's file cannot be read or made.
    """
    return Signer(settings.secret.encode() or _key_in(data_dir), installation)


def _key_in(data_dir: Path) -> bytes:
    path = data_dir / KEY_FILE
    try:
        return _read(path)
    except FileNotFoundError:
        pass
    # Whole before it has its name; and if the other process is quicker, its key counts.
    handle, partial = tempfile.mkstemp(dir=data_dir, prefix=f".{KEY_FILE}-")  # mode 0600
    try:
        with os.fdopen(handle, "w") as file:
            file.write(secrets.token_hex(SHORTEST_KEY) + "\n")
            file.flush()
            os.fsync(file.fileno())
        with contextlib.suppress(FileExistsError):
            os.link(partial, path)
    finally:
        Path(partial).unlink()
    return _read(path)


def _read(path: Path) -> bytes:
    with path.open("rb") as file:
        mode = os.fstat(file.fileno()).st_mode
        key = file.read(4096).strip()
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        msg = (
            f"others than its owner may use it (mode {stat.S_IMODE(mode):04o}), so it may be known "
            "to somebody. Delete it; a new one is made, and links in mails sent before end"
        )
        raise PermissionError(1, msg, str(path))
    if len(key) < SHORTEST_KEY:
        msg = (
            f"it is no key: {len(key)} bytes, and {SHORTEST_KEY} are needed. Delete it; a new one "
            "is made, and links in mails sent before end"
        )
        raise OSError(22, msg, str(path))
    return key
