"""The files that the broker reads, and the new passwords for hand-over, on disk.

``passwords`` holds only hashes, and is what says which accounts there are: a password file of the
hand-over folder may be deleted once the site has it. Passwords go to files that only their owner
may read, never into a message or a log.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import tempfile
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from gateway.broker_access.accounts import Account, site_of
from gateway.broker_access.passwords import (
    hashed,
    matches,
    new_password,
    password_file,
    read_password_file,
)
from gateway.broker_access.topics import access_list
from gateway.config.files import why_unreadable

__all__ = ["ACCESS_FILE", "PASSWORD_FILE", "AccessFolder", "AccessFolderError", "Changes"]

PASSWORD_FILE: Final = "passwords"  # noqa: S105 - a file's name
ACCESS_FILE: Final = "access-list"

_BROKERS_MODE: Final = 0o640
"""Of the files that the broker reads: it runs as a user of its own, in the folder's group."""
_OWNERS_MODE: Final = 0o600
_OWNERS_FOLDER_MODE: Final = 0o700
_LONGEST_PASSWORD: Final = 1024


class AccessFolderError(Exception):
    """The folder cannot be read or written; the text says what to do."""


@dataclass(frozen=True)
class Changes:
    """What a run changed, in user names.

    ``handed_over`` are the files of ``new`` and ``renewed`` passwords; ``taken_over`` are accounts
    whose hash was made from a password that lay there already.
    """

    new: tuple[str, ...]
    renewed: tuple[str, ...]
    taken_over: tuple[str, ...]
    kept: tuple[str, ...]
    removed: tuple[str, ...]
    handed_over: tuple[Path, ...]


class AccessFolder:
    """The broker's two files in ``folder``, and the hand-over files in ``secrets``."""

    def __init__(self, folder: Path, secrets: Path) -> None:
        """Nothing is read or written yet."""
        self.folder = folder
        self.secrets = secrets

    def sites_with_unit_accounts(self) -> set[str]:
        """The sites whose units have accounts of their own by now."""
        with self._trouble():
            return {site for user in self._hashes() if (site := site_of(user)) is not None}

    def write(self, accounts: Sequence[Account], renew: Collection[str] = ()) -> Changes:
        """Bring the files up to date with ``accounts``; ``renew`` names those that get a new
        password.

        Other passwords stay. Where a password lies in the hand-over folder that the hash does not
        agree with, the password counts. An account that is no more loses its hash, its rights and
        what was not handed over. A run that is broken off is completed by the next. Raises
        :class:`AccessFolderError`.
        """
        with self._trouble(), self._alone():
            _make_folder(self.secrets, _OWNERS_FOLDER_MODE)
            return self._write(accounts, renew)

    def _write(self, accounts: Sequence[Account], renew: Collection[str]) -> Changes:
        before = self._hashes()
        hashes: dict[str, str] = {}
        new: list[str] = []
        renewed: list[str] = []
        taken_over: list[str] = []
        kept: list[str] = []
        files: list[Path] = []
        for user in (account.user for account in accounts):
            path = self.secrets / user
            password = None if user in renew else _password_in(path)
            if password is not None:
                agrees = user in before and matches(before[user], password)
                hashes[user] = before[user] if agrees else hashed(password)
                (kept if agrees else taken_over).append(user)
            elif user in before and user not in renew:
                hashes[user] = before[user]
                kept.append(user)
            else:
                # The hand-over file first: a hash without its password would lock the site out.
                password = new_password()
                _replace(path, password + "\n", _OWNERS_MODE)
                hashes[user] = hashed(password)
                (renewed if user in before else new).append(user)
                files.append(path)
        _sync_folder(self.secrets)
        removed = tuple(user for user in before if user not in hashes)
        self._write_broker_files(accounts, hashes)
        for user in removed:
            (self.secrets / user).unlink(missing_ok=True)
        return Changes(
            tuple(new), tuple(renewed), tuple(taken_over), tuple(kept), removed, tuple(files)
        )

    def _write_broker_files(self, accounts: Sequence[Account], hashes: Mapping[str, str]) -> None:
        # The access list first: rights of an account without a password are nobody's.
        _replace(self.folder / ACCESS_FILE, access_list(accounts), _BROKERS_MODE)
        _replace(self.folder / PASSWORD_FILE, password_file(hashes), _BROKERS_MODE)
        _sync_folder(self.folder)

    def _hashes(self) -> dict[str, str]:
        try:
            text = (self.folder / PASSWORD_FILE).read_text(encoding="utf-8")
        except FileNotFoundError:
            return {}
        return read_password_file(text)

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """Hold the folder, so that two runs do not make two passwords for one account."""
        self.folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(self.folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                msg = f"Another run works on {self.folder}. Wait until it has ended."
                raise AccessFolderError(msg) from None
            yield
        finally:
            os.close(handle)

    @contextmanager
    def _trouble(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            where = error.filename or self.folder
            msg = (
                f"{where} cannot be used: {why_unreadable(error)}. Run this as a user who may "
                f"write to {self.folder} and {self.secrets}; then run it again, it goes on from "
                "where it was."
            )
            raise AccessFolderError(msg) from None
        except UnicodeDecodeError:
            msg = (
                f"{self.folder / PASSWORD_FILE} is not a text file. Look what it is; moved away, "
                "all accounts get new passwords, except those that still lie in "
                f"{self.secrets}."
            )
            raise AccessFolderError(msg) from None


def _password_in(path: Path) -> str | None:
    """The password that waits there for hand-over; None where there is none."""
    try:
        with path.open("rb") as stream:
            raw = stream.read(_LONGEST_PASSWORD + 1)
    except FileNotFoundError:
        return None
    try:
        password = raw.decode("utf-8").strip()
    except UnicodeDecodeError:
        password = ""
    if not password or len(raw) > _LONGEST_PASSWORD or not password.isprintable():
        msg = (
            f"{path} does not hold one password on one line. Write one there, or delete the file: "
            "the account then keeps its password, or gets a new one if it has none."
        )
        raise AccessFolderError(msg)
    return password


def _make_folder(path: Path, mode: int) -> None:
    """Made for its owner alone; one that is there keeps its mode."""
    with contextlib.suppress(FileExistsError):
        path.mkdir(mode=mode, parents=True)


def _replace(path: Path, text: str, mode: int) -> None:
    """Put a complete file in place, or leave the old one.

    Of an old one the owner, the group and a narrower mode stay. The new one is made with mode 600,
    so that it is never readable for more people than in the end.
    """
    handle, name = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            stream.write(text)
            stream.flush()
            with contextlib.suppress(FileNotFoundError):
                old, made = path.stat(), os.fstat(stream.fileno())
                if (old.st_uid, old.st_gid) != (made.st_uid, made.st_gid):
                    os.fchown(stream.fileno(), old.st_uid, old.st_gid)
                mode = old.st_mode & mode
            os.fchmod(stream.fileno(), mode)
            os.fsync(stream.fileno())
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _sync_folder(folder: Path) -> None:
    """A power cut must not undo the names: a lost hand-over file would lock its site out."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
