"""Secrets: read from the environment or from a file that the configuration names, never from TOML.

A secret's value appears in no problem, no log and no ``repr``.
"""

from __future__ import annotations

import re
import stat
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from gateway.config.files import why_unreadable
from gateway.config.positions import Path as KeyPath
from gateway.config.report import Level, Problem

__all__ = ["HIDDEN", "Secret", "find_written_secrets", "is_secret_key", "read_secret"]

HIDDEN: Final = "(hidden)"

_MAX_BYTES: Final = 16 * 1024
_SECRET_KEY: Final = re.compile(
    r"(^|_|-)(pass(word|wd|phrase)?|pwd|secret|token|api_?key|private_?key)$", re.IGNORECASE
)
_CREDENTIAL_IN_URL: Final = re.compile(r"^[a-z][a-z0-9+.-]*://[^/\s@]*@", re.IGNORECASE)


class Secret(str):
    """A secret's text; its ``repr`` does not show it, so that no log line can."""

    __slots__ = ()

    def __repr__(self) -> str:
        """Not the secret."""
        return HIDDEN


def is_secret_key(key: str | int) -> bool:
    """Whether a key's name says that its value is a secret (``password``, not ``password_env``)."""
    return isinstance(key, str) and _SECRET_KEY.search(key) is not None


def find_written_secrets(data: Mapping[str, Any]) -> Iterator[tuple[KeyPath, str]]:
    """Paths of secrets that are written in the file itself, each with what to do instead."""
    waiting: list[tuple[KeyPath, Any]] = [((), data)]
    while waiting:
        path, value = waiting.pop()
        if isinstance(value, Mapping):
            waiting.extend(((*path, key), child) for key, child in value.items())
        elif isinstance(value, list):
            waiting.extend(((*path, index), child) for index, child in enumerate(value))
        elif path and is_secret_key(path[-1]):
            key = str(path[-1]).lower()
            stem = "token" if "token" in key else "password"
            if path[0] == "board" or "secret" in key:
                stem = "secret"
            yield (
                path,
                (
                    "Take it out of the file and change it, for it was readable there; then name "
                    f'where it is kept: {stem}_env = "NAME_OF_A_VARIABLE" or '
                    f'{stem}_file = "path of a file".'
                ),
            )
        elif isinstance(value, str) and _CREDENTIAL_IN_URL.search(value):
            yield (
                path,
                (
                    "Take the name and password out of the address; name the secret with "
                    "token_env, token_file, password_env or password_file, the name with username."
                ),
            )


def read_secret(
    table: Mapping[str, Any],
    name: str,
    *,
    where: str,
    directory: Path,
    environ: Mapping[str, str],
) -> tuple[Secret | None, list[tuple[str, Problem]]]:
    """The secret that ``<name>_env`` or ``<name>_file`` of ``table`` names, None if neither does.

    Each problem comes with the key that it is about; its ``file`` and ``line`` are for the caller
    to fill in. ``where`` is the table's path, ``directory`` what a relative file name starts from.
    """
    env_key, file_key = f"{name}_env", f"{name}_file"
    variable, file_name = table.get(env_key), table.get(file_key)

    def problem(key: str, what: str, todo: str, level: Level = Level.ERROR) -> tuple[str, Problem]:
        return key, Problem(
            "", f"{where}.{key}", what, given=f"'{table[key]}'", todo=todo, level=level
        )

    if isinstance(variable, str) and isinstance(file_name, str):
        return None, [
            problem(
                file_key,
                f"{env_key} and {file_key} are both given, so it is not clear which counts.",
                "Keep one of the two.",
            )
        ]
    if isinstance(variable, str):
        value = environ.get(variable, "").strip()
        if not value:
            return None, [
                problem(
                    env_key,
                    f"the environment variable that should hold the {name} is not set"
                    + ("." if variable not in environ else " to anything: it is empty."),
                    f"Set it for the process that runs basinward, or use {file_key}.",
                )
            ]
        return Secret(value), []
    if isinstance(file_name, str):
        return _from_file(directory / file_name, name, file_key, problem)
    return None, []


def _from_file(
    path: Path, name: str, key: str, problem: Any
) -> tuple[Secret | None, list[tuple[str, Problem]]]:
    try:
        with path.open("rb") as stream:
            mode = path.stat().st_mode
            raw = stream.read(_MAX_BYTES + 1)
    except (OSError, ValueError) as error:  # ValueError: a NUL in the path
        why = why_unreadable(error) if isinstance(error, OSError) else "not a possible file name"
        return None, [
            problem(
                key,
                f"the file that should hold the {name} cannot be read: {why}.",
                "Correct the path (a relative one starts from the configuration directory) "
                "or the file's permissions.",
            )
        ]
    found = []
    if mode & stat.S_IROTH:
        found.append(
            problem(
                key,
                f"every user of this machine can read the file that holds the {name}.",
                f"Let only basinward's user read it: chmod 600 {path}",
                Level.WARNING,
            )
        )
    try:
        text = raw.decode("utf-8").strip()
    except UnicodeDecodeError:
        text = ""
        raw = b"\0"
    todo = f"Write the {name} alone on one line of the file."
    if b"\0" in raw or len(raw) > _MAX_BYTES:
        found.append(problem(key, f"the file does not hold a {name}: it is not plain text.", todo))
    elif not text:
        found.append(problem(key, f"the file that should hold the {name} is empty.", todo))
    elif "\n" in text:
        lines = text.count("\n") + 1
        found.append(problem(key, f"the file holds {lines} lines; a {name} is one.", todo))
    else:
        return Secret(text), found
    return None, found
