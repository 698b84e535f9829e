"""What commands need before they can work: the configuration, a data directory."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import typer

from gateway.cli.output import errors, fail, print_problems
from gateway.config import Configuration, ConfigurationFaults, load
from gateway.config.files import why_unreadable
from gateway.records_place import RecordsPlaceError, noted_url

__all__ = ["configuration_or_end", "records_url"]


def configuration_or_end(fleet_dir: Path, environ: Mapping[str, str]) -> Configuration:
    """The configuration; the command ends with all its problems if there are any."""
    try:
        configuration = load(fleet_dir, environ)
    except ConfigurationFaults as faults:
        console = errors()
        print_problems(faults.problems, console)
        console.print(
            "\nThe configuration has faults; nothing has been started. Correct the files, then "
            f"run: basinward check --fleet {fleet_dir}",
            markup=False,
        )
        raise typer.Exit(1) from None
    if configuration.warnings:
        print_problems(configuration.warnings, errors())
    return configuration


def records_url(data_dir: Path, url: str | None, *, must_exist: bool) -> str:
    """The records' database: the URL given, that which the gateway has noted, or the file."""
    if url is not None:
        return url
    try:
        noted = noted_url(data_dir)
    except RecordsPlaceError as error:
        fail(str(error))
    if noted:
        return noted
    path = data_dir / "records.sqlite"
    try:
        if must_exist and not path.exists():
            fail(
                f"There are no records in {data_dir} ({path.name} does not exist). Give the data "
                "directory of the running gateway with --data DIR."
            )
    except OSError as error:
        fail(f"{path} cannot be read: {why_unreadable(error)}.")
    return f"sqlite:///{path.absolute()}"
