"""Options that several commands have."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["DataOption", "FleetOption", "OwnDataOption", "OwnRecordsOption", "RecordsOption"]

FleetOption = Annotated[
    Path,
    typer.Option(
        "--fleet",
        envvar="BASINWARD_FLEET",
        metavar="DIR",
        help="Configuration directory: fleet.toml, oncall.toml and sites/*.toml.",
    ),
]

DataOption = Annotated[
    Path,
    typer.Option(
        "--data",
        envvar="BASINWARD_DATA",
        metavar="DIR",
        help="Data directory: journal, records, telemetry.",
    ),
]

RecordsOption = Annotated[
    str | None,
    typer.Option(
        "--records",
        envvar="BASINWARD_RECORDS_URL",
        metavar="URL",
        help="Database of the records, if it is not records.sqlite in the data directory.",
        show_default=False,
    ),
]

# The same again behind a command of a group, where people write them too.
OwnDataOption = Annotated[
    Path | None,
    typer.Option("--data", metavar="DIR", help="Data directory, as before the command."),
]
OwnRecordsOption = Annotated[
    str | None,
    typer.Option("--records", metavar="URL", help="Records' database, as before the command."),
]
