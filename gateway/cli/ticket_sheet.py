"""``basinward tickets sheet``: a ticket's job sheet to print, as it comes with the first mail."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.asking import nearer, opened
from gateway.cli.options import FleetOption, OwnDataOption, OwnRecordsOption
from gateway.cli.ticket_ask import NumberArgument, ticket_of

__all__ = ["sheet"]


def sheet(
    context: typer.Context,
    number: NumberArgument,
    *,
    fleet: FleetOption = Path("fleet"),
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Where to write it. Default: here, by number."),
    ] = None,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Write a ticket's job sheet as PDF: isolation points to sign off, steps, blanks for readings.

    Example:

      basinward tickets sheet 123 --fleet fleet
    """
    from gateway.cli.output import errors, fail, print_problems  # noqa: PLC0415 - lazy
    from gateway.config import ConfigurationFaults, load  # noqa: PLC0415 - lazy
    from gateway.overview.tickets import notice_of  # noqa: PLC0415 - lazy
    from gateway.tickets.render import MailRenderer  # noqa: PLC0415 - lazy
    from rules.faults.registry import FAULTS  # noqa: PLC0415 - lazy

    try:
        configuration = load(fleet, os.environ)
    except ConfigurationFaults as faults:
        print_problems(faults.problems, errors())
        fail("The configuration has faults; see above. basinward check shows them again.")
    with opened(nearer(context, data, records)) as store:
        detail = ticket_of(store, number)
    render = MailRenderer(
        configuration.sites, FAULTS,
        rules=configuration.rules, board_url=configuration.board.public_url,
    )  # fmt: skip
    path = out or Path(f"{detail.ticket.number}.pdf")
    try:
        path.write_bytes(render.sheet(notice_of(detail)))
    except OSError as error:
        fail(f"The job sheet cannot be written: {error}. Name another file with --out.")
    typer.echo(f"The job sheet of {detail.ticket.number} is in {path}.")
