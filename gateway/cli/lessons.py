"""``basinward lessons``: what the close-outs say about the diagnoses, and what might be changed."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.asking import JsonOption
from gateway.cli.options import DataOption, RecordsOption

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rules.lessons import FaultLesson

__all__ = ["lessons"]

_DAY_MS = 86_400_000

_FleetOption = Annotated[
    Path | None,
    typer.Option(
        "--fleet",
        envvar="BASINWARD_FLEET",
        metavar="DIR",
        help="Configuration directory, whose settings the suggestions start from.",
        show_default=False,
    ),
]
"""Without a default: lessons about another fleet's settings would mislead."""


def lessons(
    *,
    fleet: _FleetOption = None,
    data: DataOption = Path("data"),
    records: RecordsOption = None,
    days: Annotated[
        int, typer.Option("--days", min=1, max=36_500, help="Tickets closed in so many days.")
    ] = 365,
    site: Annotated[str, typer.Option("--site", metavar="ID", help="Only this site.")] = "",
    fault: Annotated[
        str, typer.Option("--fault", metavar="FAULT", help="Only this fault, ticket by ticket.")
    ] = "",
    as_json: JsonOption = False,
) -> None:
    """Show, per fault, how often the first cause was right, and what it was instead.

    It rests on what close-outs found part by part. Where refuted tickets differ clearly from
    confirmed ones, a change of settings is suggested with its evidence; nothing is ever changed by
    itself. The suggestions start from the fleet-wide settings of the fleet directory, so that has
    to be named, and to be the one whose tickets these are; settings that a site or unit has of its
    own are not looked at.

    Examples:

      basinward lessons --fleet fleet --data data

      basinward lessons --fleet fleet --fault pump-screen-clogging --days 90
    """
    from gateway.cli.output import fail, print_json  # noqa: PLC0415 - lazy
    from gateway.cli.setup import configuration_or_end, records_url  # noqa: PLC0415 - lazy
    from gateway.lessons import lesson_json, read_lessons  # noqa: PLC0415 - lazy
    from gateway.records import Records, RecordsError  # noqa: PLC0415 - lazy

    if fleet is None:
        fail(
            "Name the fleet directory with --fleet: suggestions start from its settings, and those "
            "of another fleet would mislead.", 2,
        )  # fmt: skip
    configuration = configuration_or_end(fleet, os.environ)
    since_ms = time.time_ns() // 1_000_000 - days * _DAY_MS
    try:
        store = Records(records_url(data, records, must_exist=True))
        try:
            ever = {its for its, _ in store.units().values()}
            sites = {one.id for one in configuration.sites}
            if site and site not in ever | sites:
                fail(f"There is no site '{site}', in {fleet} or in the records.")
            if ever and not ever & sites:
                fail(
                    f"None of the {len(ever)} sites of these records is in {fleet}: the "
                    "suggestions would start from another fleet's settings. Name the fleet "
                    "directory and the data that belong together, with --fleet and --data."
                )
            found = read_lessons(
                store, configuration.settings, since_ms=since_ms, site=site, fault=fault
            )
        finally:
            store.close()
    except RecordsError as error:
        fail(str(error))
    if as_json:
        print_json([lesson_json(lesson) for lesson in found])
    else:
        where = site or f"all {len(ever)} sites of the records"
        _print(
            found,
            f"Tickets closed in the last {days} days at {where}; suggestions start from the "
            f"fleet-wide settings of {fleet}.",
            detailed=bool(fault),
        )


def _print(found: Sequence[FaultLesson], scope: str, *, detailed: bool) -> None:
    from gateway.cli.output import out, print_table  # noqa: PLC0415 - lazy
    from gateway.lessons import HOW_IT_IS_JUDGED  # noqa: PLC0415 - lazy

    if not found:
        out().print("No ticket of these was closed in that time.")
        out().print(scope, markup=False)
        return
    out().print(f"{scope}\n", markup=False)
    print_table(
        ("fault", "closed", "judged", "first cause right", "95 % interval", "instead"),
        (
            (
                one.fault,
                str(one.tickets),
                str(one.judged),
                "–" if one.right_frac is None else f"{one.right} ({100 * one.right_frac:.0f} %)",
                "–"
                if not one.judged
                else f"{100 * one.low_frac:.0f} to {100 * one.high_frac:.0f} %",
                ", ".join(f"{what} ({n})" for what, n in one.instead[:4]),
            )
            for one in found
        ),
    )
    if detailed:
        for lesson in found:
            typer.echo("")
            print_table(
                ("ticket", "unit", "first cause", "it was", "instead"),
                (
                    (
                        c.case.number, f"{c.case.site}/{c.case.unit}", c.case.first_cause or "–",
                        c.outcome.value, c.instead,
                    )
                    for c in lesson.cases
                ),
            )  # fmt: skip
    for lesson in found:
        for suggestion in lesson.suggestions:
            out().print(f"\nTo think about, {lesson.fault}: {suggestion.said}", markup=False)
    out().print(f"\n{HOW_IT_IS_JUDGED}", markup=False)
