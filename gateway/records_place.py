"""Where the records are: a file in the data directory, or a database that fleet.toml names.

Commands are given the data directory only. So a gateway whose records are elsewhere leaves a note
there: the URL, and the name of the place where the password is kept, never the password.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Final
from urllib.parse import quote

__all__ = ["PLACE_FILE", "RecordsPlace", "RecordsPlaceError", "note_place", "noted_url"]

PLACE_FILE: Final = "records.json"


class RecordsPlaceError(Exception):
    """The note of where the records are cannot be used; the text says what to do."""


@dataclass(frozen=True)
class RecordsPlace:
    """The records' database as fleet.toml has it; ``url`` is empty for the file.

    ``password_env`` and ``password_file`` say where ``password`` comes from. Without any, the
    driver looks where it always does (PGPASSWORD, PGPASSFILE, ~/.pgpass).
    """

    url: str = ""
    username: str | None = None
    password: str = field(default="", repr=False)
    password_env: str = ""
    password_file: str = ""

    @property
    def database_url(self) -> str:
        """The URL with user and password; empty for the file in the data directory."""
        if not self.username:
            return self.url
        scheme, _, rest = self.url.partition("://")
        password = f":{quote(self.password, safe='')}" if self.password else ""
        return f"{scheme}://{quote(self.username, safe='')}{password}@{rest}"


def note_place(data_dir: Path, place: RecordsPlace) -> None:
    """Leave a note of where the records are, or take away one that does not hold any more."""
    path = data_dir / PLACE_FILE
    if not place.url:
        path.unlink(missing_ok=True)
        return
    note = {k: v for k, v in asdict(place).items() if k != "password"}
    partial = path.with_suffix(".part")
    partial.write_text(json.dumps(note, indent=2) + "\n")
    partial.replace(path)


def noted_url(data_dir: Path, environ: Mapping[str, str] = os.environ) -> str:
    """The URL that a gateway has noted in the data directory, empty if there is no note.

    Raises :class:`RecordsPlaceError` where the note or the password cannot be read.
    """
    path = data_dir / PLACE_FILE
    try:
        place = RecordsPlace(**json.loads(path.read_text()))
    except FileNotFoundError:
        return ""
    except OSError as error:
        msg = f"{path} cannot be read: {error.strerror}. Or give the records with --records URL."
        raise RecordsPlaceError(msg) from error
    except (ValueError, TypeError) as error:
        msg = f"{path} is damaged ({error}). Give the records with --records URL."
        raise RecordsPlaceError(msg) from error
    password = environ.get(place.password_env, "") if place.password_env else ""
    if place.password_file:
        try:
            password = Path(place.password_file).read_text()
        except OSError as error:
            msg = (
                f"The records' password cannot be read from {place.password_file}: "
                f"{error.strerror}. Run the command as the gateway's user."
            )
            raise RecordsPlaceError(msg) from error
    return replace(place, password=password.strip()).database_url
