"""``basinward alarms``: what stands, people's actions on it, and how well the alarms serve them."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

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
from gateway.cli.options import (
    DataOption,
    FleetOption,
    OwnDataOption,
    OwnRecordsOption,
    RecordsOption,
)
from gateway.cli.ticket_ask import milliseconds

if TYPE_CHECKING:
    from rules.alarm_figures import AlarmFigures
    from rules.events import AlarmState

__all__ = ["app"]

app = typer.Typer(
    name="alarms",
    invoke_without_command=True,
    no_args_is_help=False,
    rich_markup_mode=None,
)

FaultArgument = Annotated[str, typer.Argument(metavar="FAULT", help="Fault, as the list names it.")]
ForOption = Annotated[
    str,
    typer.Option("--for", metavar="TIME", help="How long: 90m, 8h, 3d. It comes back by itself."),
]


@app.callback(invoke_without_command=True)
def alarms(
    context: typer.Context,
    *,
    data: DataOption = Path("data"),
    records: RecordsOption = None,
    site: Annotated[str, typer.Option(help="Only this site.", show_default=False)] = "",
    unit: Annotated[str, typer.Option(help="Only this unit.", show_default=False)] = "",
    as_json: JsonOption = False,
) -> None:
    """List the alarms that are not normal; or shelve one, take a unit out of service, and more.

    Without a further command it lists every alarm that is not normal, the gravest first: what
    stands, what came back to normal unseen, and what is shelved, suppressed or out of service.

    Examples:

      basinward alarms --site quay-cold-store

      basinward alarms shelve ridge-dairy ac-1 fan-fault --for 3d --by "R. Marsh" --note "On order"

      basinward alarms figures --days 30 --operators 2
    """
    context.obj = (data, records)
    if context.invoked_subcommand is not None:
        return
    from gateway.cli.output import out, print_json, print_table, utc  # noqa: PLC0415 - lazy

    with opened(context) as store:
        standing = store.standing_alarms(site, unit)
    if as_json:
        print_json(
            [
                {
                    "site": a.site,
                    "unit": a.unit,
                    "fault": a.fault,
                    "severity": a.severity.name.lower(),
                    "state": a.state.name.lower(),
                    "onset_ms": a.onset_ms,
                    "changed_ms": a.changed_ms,
                    "summary": a.evidence.summary if a.evidence else "",
                }
                for a in standing
            ]
        )
        return
    if not standing:
        out().print("All alarms are normal.")
        return
    # Priority and state share a column, so that a terminal of 80 columns holds the names uncut.
    print_table(
        ("alarm", "site", "unit", "fault", "since"),
        (
            (
                f"{a.severity.name.lower()}, {_words(a.state)}" if a.severity else _words(a.state),
                a.site,
                a.unit,
                a.fault,
                utc(a.onset_ms),
            )
            for a in standing
        ),
    )


@app.command()
def shelve(
    context: typer.Context,
    site: SiteArgument,
    unit: UnitArgument,
    fault: FaultArgument,
    *,
    by: ByOption,
    note: NoteOption,
    duration: ForOption,
    fleet: FleetOption = Path("fleet"),
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Shelve one alarm for a time.

    It makes no ticket meanwhile, and comes back by itself: at the latest after a week, or what the
    setting longest_shelf_s says.

    Example:

      basinward alarms shelve ridge-dairy ac-1 fan-fault --for 3d --by "R. Marsh" --note "On order"
    """
    from rules.events import ActionKind  # noqa: PLC0415 - lazy

    lasting_ms = milliseconds(duration)
    _no_longer_than_the_rules_keep_it(fleet, site, unit, lasting_ms)
    until = time.time_ns() // 1_000_000 + lasting_ms
    request(
        nearer(context, data, records),
        ActionKind.SHELVE,
        site,
        unit,
        by,
        fault=fault,
        note=note,
        until_ms=until,
        fleet=fleet,
    )


def _no_longer_than_the_rules_keep_it(fleet: Path, site: str, unit: str, lasting_ms: int) -> None:
    """End the command where the rules would end the shelf sooner, as far as files are there."""
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.config.loader import examine_plant  # noqa: PLC0415 - lazy
    from rules.settings import fleet_setting  # noqa: PLC0415 - lazy

    plant, _ = examine_plant(fleet)
    its = next((s for s in plant.sites if s.id == site), None) if plant else None
    one = next((u for u in its.units if u.id == unit), None) if its else None
    tables = (plant.settings if plant else {}, its.settings if its else {})
    longest_s = fleet_setting("longest_shelf_s", *tables, one.settings if one else {})
    if lasting_ms > longest_s * 1000:
        fail(
            f"A shelf lasts {longest_s / 86_400:.3g} days at most (longest_shelf_s). Choose a "
            "shorter time; what takes longer is out of service. Nothing was changed.",
            2,
        )


@app.command()
def unshelve(
    context: typer.Context,
    site: SiteArgument,
    unit: UnitArgument,
    fault: FaultArgument,
    *,
    by: ByOption,
    note: NoteOption = "",
    fleet: FleetOption = Path("fleet"),
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """End a shelf before its time. The alarm is judged afresh.

    Example:

      basinward alarms unshelve quay-cold-store ac-1 fan-fault --by "R. Marsh"
    """
    from rules.events import ActionKind  # noqa: PLC0415 - lazy

    request(
        nearer(context, data, records), ActionKind.UNSHELVE, site, unit, by,
        fault=fault, note=note, fleet=fleet,
    )  # fmt: skip


@app.command()
def reset(
    context: typer.Context,
    site: SiteArgument,
    unit: UnitArgument,
    fault: FaultArgument,
    *,
    by: ByOption,
    note: NoteOption = "",
    fleet: FleetOption = Path("fleet"),
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Reset a latched alarm whose condition is gone.

    Example:

      basinward alarms reset quay-cold-store ac-1 fan-fault --by "R. Marsh"
    """
    from rules.events import ActionKind  # noqa: PLC0415 - lazy

    request(
        nearer(context, data, records), ActionKind.RESET, site, unit, by,
        fault=fault, note=note, fleet=fleet,
    )  # fmt: skip


@app.command("out-of-service")
def out_of_service(
    context: typer.Context,
    site: SiteArgument,
    unit: UnitArgument,
    *,
    by: ByOption,
    note: NoteOption,
    duration: Annotated[
        str,
        typer.Option(
            "--for",
            metavar="TIME",
            help="How long: 90m, 8h, 3d. Without it, until a person ends it.",
            show_default=False,
        ),
    ] = "",
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Take a unit out of service: no alarms of it meanwhile.

    For the time that somebody works on it. This changes nothing at the machine and is no
    isolation.

    Example:

      basinward alarms out-of-service quay-cold-store ac-1 --for 4h --by "R. Marsh" --note "Clean"
    """
    from rules.events import ActionKind  # noqa: PLC0415 - lazy

    until = time.time_ns() // 1_000_000 + milliseconds(duration) if duration else 0
    request(
        nearer(context, data, records),
        ActionKind.OUT_OF_SERVICE,
        site,
        unit,
        by,
        note=note,
        until_ms=until,
    )


@app.command("in-service")
def in_service(
    context: typer.Context,
    site: SiteArgument,
    unit: UnitArgument,
    *,
    by: ByOption,
    note: NoteOption = "",
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """End an out-of-service period: the unit is judged again.

    Example:

      basinward alarms in-service quay-cold-store ac-1 --by "R. Marsh"
    """
    from rules.events import ActionKind  # noqa: PLC0415 - lazy

    request(nearer(context, data, records), ActionKind.IN_SERVICE, site, unit, by, note=note)


@app.command()
def figures(
    context: typer.Context,
    *,
    days: Annotated[float, typer.Option(min=0.01, max=3660.0, help="Period up to now.")] = 30.0,
    operators: Annotated[
        int, typer.Option(min=1, max=1000, help="People who share the alarms.")
    ] = 1,
    site: Annotated[str, typer.Option(help="Only this site.", show_default=False)] = "",
    as_json: JsonOption = False,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Print how well the alarms serve the people.

    The performance figures of ISA-18.2 / IEC 62682: announcements for each operator by day, hour
    and ten minutes, the peak, floods, chattering and stale alarms, the ten most frequent, and the
    shares of the priorities, each beside its target. An announcement asks a person for attention:
    an alarm that is raised, gets worse, or is announced again.

    Example:

      basinward alarms figures --days 30 --operators 2
    """
    from gateway.cli.figures import to_json, to_lines  # noqa: PLC0415 - lazy
    from gateway.cli.output import print_json  # noqa: PLC0415 - lazy
    from gateway.records.queries import Where  # noqa: PLC0415 - lazy
    from rules.alarm_figures import alarm_figures  # noqa: PLC0415 - lazy

    end_ms = time.time_ns() // 1_000_000
    start_ms = end_ms - int(days * 86_400_000)
    with opened(nearer(context, data, records)) as store:
        # All of the journal: what stood before the period may be stale in it.
        rows = store.alarm_events(0, end_ms, Where(site), limit=10_000_000)
        names = {row.event.unit_row: f"{row.site} {row.unit}".strip() for row in rows}
    events = [row.event for row in reversed(rows)]
    found: AlarmFigures = alarm_figures(events, start_ms, end_ms, operators)
    if as_json:
        print_json(to_json(found, names))
        return
    for line in to_lines(found, names):
        typer.echo(line)


def _words(state: AlarmState) -> str:
    return state.name.lower().replace("_", " ")
