"""``basinward backup`` and ``basinward restore``: all of a gateway in one file, and back."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.options import DataOption, FleetOption, RecordsOption

if TYPE_CHECKING:
    from gateway.backup import Manifest

__all__ = ["backup", "restore"]

_MOST_DIGITS = 9


def backup(
    target: Annotated[Path, typer.Argument(metavar="TARGET", help="File to write, as x.tar.")],
    *,
    data: DataOption = Path("data"),
    fleet: FleetOption = Path("fleet"),
    records: RecordsOption = None,
) -> None:
    """Copy records, journal, samples and settings into one file, while the gateway runs.

    The file holds what is needed to go on elsewhere: alarms, tickets, mails, samples of the
    embedded store, the rules' memory, and fleet.toml, oncall.toml and the site files. Files with
    passwords are not in it. The gateway need not be stopped; the disk must have room for the data
    twice. An existing file is never overwritten.

    Examples:

      basinward backup /backup/monday.tar --fleet /etc/basinward --data /var/lib/basinward
    """
    from gateway.backup import BackupError, make_backup  # noqa: PLC0415 - lazy
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.cli.setup import records_url  # noqa: PLC0415 - lazy

    if not (fleet / "fleet.toml").is_file():
        fail(
            f"There are no settings in {fleet} (fleet.toml does not exist). Give the configuration "
            "directory with --fleet DIR. Nothing was written.", 2,
        )  # fmt: skip
    try:
        manifest = make_backup(target, data, records_url(data, records, must_exist=True), fleet)
    except BackupError as error:
        fail(str(error))
    typer.echo(f"{target}: {len(manifest.files)} files, {manifest.total_bytes / 1e6:.1f} MB.")
    _tell(manifest)


def restore(
    source: Annotated[Path, typer.Argument(metavar="SOURCE", help="A file of `backup`.")],
    *,
    data: Annotated[
        Path, typer.Option("--data", metavar="DIR", help="Data directory to make; must be empty.")
    ],
    fleet: Annotated[
        Path | None,
        typer.Option(
            "--fleet", metavar="DIR", help="Where to put the settings; left out if not given."
        ),
    ] = None,
    records: Annotated[
        str | None,
        typer.Option("--records", metavar="URL", help="Put the records into this database."),
    ] = None,
    numbers_beyond: Annotated[
        str,
        typer.Option(
            "--numbers-beyond",
            metavar="N",
            show_default=False,
            help="The highest ticket number that anybody has seen, as in a mail: BW-012345.",
        ),
    ] = "BW-0",
) -> None:
    """Put a backup into an empty data directory, from which a gateway can go on.

    Stop the gateway that it was made of first: two with one name at the broker push each other
    out. Sizes and checksums are verified before anything is put in place, and nothing is
    overwritten. With --records the records go into another database, which is also the way from a
    file to PostgreSQL and back.

    Mails that waited at the time of the backup are sent, marked as possibly sent before. What came
    after the backup is not in it. Tickets of that time are lost; numbers of new tickets go on far
    enough beyond them that none comes twice.

    Examples:

      basinward restore /backup/monday.tar --fleet /etc/basinward --data /var/lib/basinward
    """
    from gateway.backup import BackupError  # noqa: PLC0415 - lazy
    from gateway.backup import restore as put_back  # noqa: PLC0415 - lazy
    from gateway.cli.output import fail, utc  # noqa: PLC0415 - lazy

    try:
        manifest, beyond = put_back(
            source, data, fleet, records, numbers_beyond=_number(numbers_beyond)
        )
    except BackupError as error:
        fail(str(error))
    typer.echo(f"Restored to {data}: the gateway as of {utc(manifest.made_ms)}.")
    _tell(manifest)
    typer.echo(f"New tickets get numbers beyond BW-{beyond:06d}.")
    if fleet is None:
        typer.echo("Its settings were left in the backup; --fleet DIR puts them back.")
    elif records is None and _names_a_records_server(fleet):
        typer.echo(
            f"Take care: {fleet / 'fleet.toml'} names a [records] server, but the records are in "
            f"{data}. Take that table out, or restore again with --records URL."
        )
    if records is not None:
        typer.echo("Run the gateway with the same --records, or name it under [records].")


def _number(text: str) -> int:
    """A ticket's number as written by a person, 'BW-012345' or '12345'."""
    digits = text.strip().upper().removeprefix("BW-")
    if not digits.isascii() or not digits.isdigit() or len(digits) > _MOST_DIGITS:
        msg = f"'{text}' is not a ticket's number. Write it as in the mail: BW-012345."
        raise typer.BadParameter(msg, param_hint="--numbers-beyond")
    return int(digits)


def _tell(manifest: Manifest) -> None:
    offsets = manifest.offsets
    typer.echo(
        f"Journal up to {offsets.journal_last}, judged up to {offsets.records}, stored up to "
        f"{offsets.store}."
    )
    for note in manifest.notes:
        typer.echo(note)


def _names_a_records_server(fleet: Path) -> bool:
    try:
        return "records" in tomllib.loads((fleet / "fleet.toml").read_text())
    except (OSError, ValueError):
        return False
