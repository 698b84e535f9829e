"""A disk that a test can fill: a small file system in memory, mounted for the length of a block."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from typing import Self

__all__ = ["CannotMountError", "SmallDisk"]

_CHUNK = bytes(64 * 1024)


class CannotMountError(Exception):
    """This user may not mount a file system."""


class SmallDisk:
    """A file system of ``size_mb`` MB at ``directory``; :class:`CannotMountError` if refused."""

    def __init__(self, directory: Path, size_mb: int) -> None:
        self.directory = directory
        self._options = f"size={size_mb}m,mode=0755"
        self._ballast = directory / "ballast"

    def __enter__(self) -> Self:
        self.directory.mkdir(parents=True)
        try:
            subprocess.run(
                [_program("mount"), "-t", "tmpfs", "-o", self._options, "tmpfs",
                 str(self.directory)],
                check=True, capture_output=True, text=True,
            )  # fmt: skip
        except (OSError, subprocess.CalledProcessError) as error:
            msg = f"mounting needs root and a system that allows it: {error}"
            raise CannotMountError(msg) from error
        return self

    def __exit__(self, *_: object) -> None:
        # Lazily: a process that was just killed may not have let go of its files yet.
        subprocess.run([_program("umount"), "-l", str(self.directory)], check=True)

    def fill(self) -> None:
        """Take every byte that is left."""
        with self._ballast.open("ab", buffering=0) as ballast:
            for size in (len(_CHUNK), 4096):
                try:
                    while True:
                        ballast.write(_CHUNK[:size])
                except OSError:
                    continue

    def free(self) -> None:
        """Give back what :meth:`fill` took."""
        self._ballast.unlink(missing_ok=True)


def _program(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        msg = f"there is no program '{name}'"
        raise OSError(msg)
    return found
