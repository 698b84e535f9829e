"""``basinward baselines``: what each unit's normal is, and a person's hand on it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.asking import (
    ByOption,
    JsonOption,
    NoteOption,
    SiteArgument,
    UnitArgument,
    nearer,
    opened,
    request,
)
from gateway.cli.options import DataOption, OwnDataOption, OwnRecordsOption, RecordsOption

__all__ = ["app"]

app = typer.Typer(
    name="baselines",
    invoke_without_command=True,
    no_args_is_help=False,
    rich_markup_mode=None,
)

PartOption = Annotated[
    list[str] | None,
    typer.Option(
        "--part",
        metavar="PART",
        help="Only what a cleaning of this part renews; repeat for several: pump-screen, "
        "distribution, pads, coil, basin, float, bleed, fans.",
        show_default=False,
    ),
]


@app.callback(invoke_without_command=True)
def baselines(
    context: typer.Context,
    *,
    data: DataOption = Path("data"),
    records: RecordsOption = None,
    site: Annotated[str, typer.Option(help="Only this site.", show_default=False)] = "",
    unit: Annotated[str, typer.Option(help="Only this unit.", show_default=False)] = "",
    as_json: JsonOption = False,
) -> None:
    """List what was learned as each unit's normal; or reset it, freeze it, release it.

    Without a further command it lists value, spread, the number of means it rests on, and when it
    was learned.

    A baseline is learned once, from steady hours without alarms, and kept: a fault that grows
    slowly must not teach itself into it. It is learned anew after a cleaning that was closed
    out (`basinward tickets close --cleaned PART`) and that has proven to help, or when a person
    says so here.

    Examples:

      basinward baselines --site quay-cold-store

      basinward baselines reset quay-cold-store ac-1 --part coil --by "R. Marsh" --note "New coil"

      basinward baselines freeze quay-cold-store ac-1 --by "R. Marsh" --note "Trial of pads"
    """
    context.obj = (data, records)
    if context.invoked_subcommand is not None:
        return
    from gateway.cli.output import out, print_json, print_table, utc  # noqa: PLC0415 - lazy

    with opened(context) as store:
        rows = store.baselines(site, unit)
    if as_json:
        print_json(
            [
                {
                    "site": r.site,
                    "unit": r.unit,
                    "quantity": r.quantity,
                    "mode": r.mode,
                    "value": r.value,
                    "spread": r.spread,
                    "measure": r.measure,
                    "count": r.count,
                    "time_ms": r.time_ms,
                }
                for r in rows
            ]
        )
        return
    if not rows:
        out().print("Nothing was learned yet: it takes some steady hours of running.")
        return
    print_table(
        ("site", "unit", "quantity", "value", "spread", "means", "learned"),
        (
            (
                r.site,
                r.unit,
                r.quantity,
                "reset" if r.value is None else f"{r.value:.4g} {r.measure}".strip(),
                "" if r.spread is None else f"{r.spread:.2g}",
                str(r.count),
                utc(r.time_ms),
            )
            for r in rows
        ),
    )


@app.command()
def reset(
    context: typer.Context,
    site: SiteArgument,
    unit: UnitArgument,
    *,
    by: ByOption,
    note: NoteOption,
    part: PartOption = None,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Forget what was learned, and learn anew from now on.

    Until it is learned, the faults that rest on it are not judged. After a cleaning, close its
    ticket with --cleaned instead: the old baseline then holds until it has proven to help.

    Example:

      basinward baselines reset quay-cold-store ac-1 --part coil --by "R. Marsh" --note "New coil"
    """
    from rules.events import ActionKind  # noqa: PLC0415 - lazy

    request(
        nearer(context, data, records),
        ActionKind.RESET_BASELINE,
        site,
        unit,
        by,
        note=note,
        parts=part,
    )


@app.command()
def freeze(
    context: typer.Context,
    site: SiteArgument,
    unit: UnitArgument,
    *,
    by: ByOption,
    note: NoteOption,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Keep what was learned until it is released.

    Meanwhile nothing is learned anew, not even after a cleaning.

    Example:

      basinward baselines freeze quay-cold-store ac-1 --by "R. Marsh" --note "Trial of new pads"
    """
    from rules.events import ActionKind  # noqa: PLC0415 - lazy

    request(nearer(context, data, records), ActionKind.FREEZE_BASELINE, site, unit, by, note=note)


@app.command()
def release(
    context: typer.Context,
    site: SiteArgument,
    unit: UnitArgument,
    *,
    by: ByOption,
    note: NoteOption = "",
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """End a freeze.

    Example:

      basinward baselines release quay-cold-store ac-1 --by "R. Marsh"
    """
    from rules.events import ActionKind  # noqa: PLC0415 - lazy

    request(nearer(context, data, records), ActionKind.RELEASE_BASELINE, site, unit, by, note=note)
