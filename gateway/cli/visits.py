"""``basinward visits``: which visits to make; the planner's wishes; work packs for the crews."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.asking import ByOption, JsonOption, NoteOption, commanding, nearer, opened
from gateway.cli.options import (
    DataOption,
    FleetOption,
    OwnDataOption,
    OwnRecordsOption,
    RecordsOption,
)
from gateway.cli.ticket_ask import now_ms
from gateway.cli.visit_ask import (
    as_data,
    chosen,
    configured,
    crews_of,
    jobs_of,
    plan_data,
    print_plan,
    print_visit,
    print_visits,
    settle_or_end,
    today,
    visit_of,
    wish_or_end,
)
from gateway.cli.visit_season import season

__all__ = ["app"]

app = typer.Typer(
    name="visits", invoke_without_command=True, no_args_is_help=False, rich_markup_mode=None
)
app.command()(season)

VisitArgument = Annotated[
    str, typer.Argument(metavar="VISIT", help="Number of the visit: V-000012 or 12.")
]
DayOption = Annotated[
    datetime | None, typer.Option("--day", metavar="DATE", formats=["%Y-%m-%d"], help="The day.")
]
CrewOption = Annotated[
    str, typer.Option("--crew", metavar="ID", help="By this crew.", show_default=False)
]
JobsOption = Annotated[
    list[str] | None,
    typer.Option("--job", metavar="KEY", help="Only this job, as site/unit/part; may be repeated."),
]


@app.callback(invoke_without_command=True)
def visits(
    context: typer.Context,
    *,
    data: DataOption = Path("data"),
    records: RecordsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Plan visits, hold the plan to a planner's wishes, and send crews their work packs.

    Without a further command it lists the visits that are proposed or confirmed.

    Examples:

      basinward visits propose --fleet fleet

      basinward visits show 12

      basinward visits move 12 --day 2026-03-05 --by "P. Lane" --note "Site has an audit"

      basinward visits confirm 12 --by "P. Lane" --fleet fleet
    """
    context.obj = (data, records)
    if context.invoked_subcommand is not None:
        return
    from gateway.cli.output import out, print_json  # noqa: PLC0415 - lazy
    from gateway.records.visit_rows import VisitState  # noqa: PLC0415 - lazy

    with opened(context) as store:
        rows = store.visits(
            [state for state in VisitState if state is not VisitState.CANCELLED], since_day=today()
        )
        plan = store.visit_plan()
    if as_json:
        print_json({"visits": [as_data(row) for row in rows], "plan": plan_data(plan)})
        return
    if not rows:
        out().print("No visit is planned. `basinward visits propose` makes a plan.")
        return
    print_visits(rows)


@app.command()
def propose(
    context: typer.Context,
    *,
    fleet: FleetOption = Path("fleet"),
    seconds: Annotated[
        float, typer.Option("--seconds", min=1, max=600, help="Time for the solver.")
    ] = 15.0,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Plan the visits from tomorrow on. What was only proposed before is replaced.

    Confirmed visits stay. The plan weighs driving, cleaning before it is due, and the risk that a
    part reaches its limit first, within the crews' days, hours and skills, the sites' hours and
    the cool hours that pads need. It says how near to the best it is.
    """
    from gateway.cli.output import fail, print_json  # noqa: PLC0415 - lazy
    from gateway.due_keeper import DueKeeper  # noqa: PLC0415 - lazy
    from gateway.records.visit_rows import PlanRow  # noqa: PLC0415 - lazy

    try:
        from gateway.visits.proposing import planned, proposed  # noqa: PLC0415 - lazy
    except ModuleNotFoundError:
        fail("Planning needs the extra 'visits': pip install '.[visits]' brings its solver.")
    configuration = configured(fleet)
    if not configuration.visits.crews:
        fail(
            "There are no crews. Write crews.toml in the fleet directory (README, Visits), and "
            "[visit] with coordinates in the site files."
        )
    with opened(nearer(context, data, records)) as store:
        # Nobody else waits for this command, and the gateway may not run.
        DueKeeper(store, now_ms).catch_up()
        made = planned(store, configuration, now_ms(), seconds)
        with store.audit.acting(commanding(), now_ms()) as act:
            numbers = made.write(store, act.now_ms)
            act.note("visits: anew", "plan", after={"proposed": numbers})
            rows, plan = proposed(store), PlanRow(act.now_ms, made.outcome)
    if as_json:
        print_json({"visits": [as_data(row) for row in rows], "plan": plan_data(plan)})
        return
    print_visits(rows)
    print_plan(plan)


@app.command()
def show(
    context: typer.Context,
    visit: Annotated[
        str, typer.Argument(metavar="[VISIT]", help="Number of the visit; none: the whole plan.")
    ] = "",
    *,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show a visit with the reason of each choice; or the plan: what is left, and the wishes."""
    from gateway.cli.output import out, print_json  # noqa: PLC0415 - lazy

    with opened(nearer(context, data, records)) as store:
        if not visit:
            plan, wishes = store.visit_plan(), store.visit_wishes()
            if as_json:
                print_json({"plan": plan_data(plan), "wishes": [vars(w) for w in wishes]})
                return
            if plan is None:
                out().print("No plan was made yet. `basinward visits propose` makes one.")
            else:
                print_plan(plan)
            for wish in wishes:
                when = f" on {wish.day}" if wish.day else ""
                until = f" until {wish.until_day}" if wish.until_day else ""
                who = f" by {wish.crew}" if wish.crew else ""
                out().print(
                    f"Wish {wish.number}: {wish.kind.value} {', '.join(wish.needs)}{when}{until}"
                    f"{who}; {wish.by}{f': {wish.note}' if wish.note else ''}",
                    markup=False,
                )
            return
        row = visit_of(store, visit)
    if as_json:
        print_json(as_data(row))
        return
    print_visit(row)


@app.command()
def pin(
    context: typer.Context,
    visit: VisitArgument,
    by: ByOption,
    note: NoteOption = "",
    *,
    jobs: JobsOption = None,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Keep a visit on its day and with its crew, whatever the next plan would prefer."""
    with opened(nearer(context, data, records)) as store:
        row = visit_of(store, visit)
        wish_or_end(store, row, "pin", by, note, chosen(row, jobs), day=row.day, crew=row.crew)


@app.command()
def move(
    context: typer.Context,
    visit: VisitArgument,
    by: ByOption,
    note: NoteOption = "",
    *,
    day: DayOption = None,
    crew: CrewOption = "",
    jobs: JobsOption = None,
    fleet: FleetOption = Path("fleet"),
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Have a visit, or some of its jobs, on another day or done by another crew."""
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy

    if day is None and not crew:
        fail("Say where to: --day DATE, --crew ID, or both.", 2)
    with opened(nearer(context, data, records)) as store:
        row = visit_of(store, visit)
        when = day.date().isoformat() if day is not None else ""
        crews = crews_of(fleet) if crew else None
        wish_or_end(store, row, "move", by, note, chosen(row, jobs), crews, day=when, crew=crew)


@app.command()
def split(
    context: typer.Context,
    visit: VisitArgument,
    by: ByOption,
    note: NoteOption = "",
    *,
    jobs: JobsOption = None,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Take the named jobs out of a visit, to be done in another one."""
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy

    with opened(nearer(context, data, records)) as store:
        row = visit_of(store, visit)
        if not jobs:
            fail(f"Name the jobs to take out with --job. {jobs_of(row)}", 2)
        apart = chosen(row, jobs)
        rest = sorted(row.course.needs - set(apart))
        if not rest:
            fail("That is the whole visit: use move or refuse.", 2)
        wish_or_end(store, row, "split", by, note, apart, apart=rest)


@app.command()
def refuse(
    context: typer.Context,
    visit: VisitArgument,
    by: ByOption,
    note: NoteOption = "",
    *,
    until: Annotated[
        datetime | None,
        typer.Option(
            "--until",
            metavar="DATE",
            formats=["%Y-%m-%d"],
            help="Not before the day after this one. Default: only not on the visit's day.",
        ),
    ] = None,
    jobs: JobsOption = None,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Do not make a visit on its day, or not until a day."""
    with opened(nearer(context, data, records)) as store:
        row = visit_of(store, visit)
        last = until.date().isoformat() if until is not None else row.day
        first = "" if until is not None else row.day
        wish_or_end(store, row, "refuse", by, note, chosen(row, jobs), day=first, until_day=last)


@app.command()
def unwish(
    context: typer.Context,
    wish: Annotated[int, typer.Argument(metavar="WISH", help="Number of the wish.")],
    by: ByOption,
    *,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """End a wish: the next plan is free of it. `basinward visits show` lists the wishes."""
    asked = nearer(context, data, records)
    with opened(asked) as store, store.audit.acting(commanding(), now_ms()) as act:
        store.end_visit_wish(wish, by=by, now_ms=act.now_ms)
        act.note("visits: unwish", f"wish {wish}", after={"by": by.strip()})
    typer.echo(f"Wish {wish} does not hold any more. `basinward visits propose` plans anew.")


@app.command()
def confirm(
    context: typer.Context,
    visit: VisitArgument,
    by: ByOption,
    note: NoteOption = "",
    *,
    fleet: FleetOption = Path("fleet"),
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Confirm a visit: its crew gets the work pack by mail, with PDF and calendar entry.

    A visit that was confirmed before and was changed by a wish is confirmed again; the crew's
    calendar entry changes with it. The running gateway sends the mail.
    """
    from gateway.visits.telling import confirmation  # noqa: PLC0415 - lazy

    configuration = configured(fleet)
    with opened(nearer(context, data, records)) as store:
        row = visit_of(store, visit)
        done, to = settle_or_end(store, configuration, row, confirmation, by, note)
    typer.echo(
        f"{done.number} is confirmed; its work pack goes to "
        f"{', '.join(person.email for person in to)}."
    )


@app.command()
def cancel(
    context: typer.Context,
    visit: VisitArgument,
    by: ByOption,
    note: NoteOption = "",
    *,
    fleet: FleetOption = Path("fleet"),
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Tell the crew that a visit does not take place, and take it out of its calendar."""
    from gateway.visits.telling import cancellation  # noqa: PLC0415 - lazy

    configuration = configured(fleet)
    with opened(nearer(context, data, records)) as store:
        row = visit_of(store, visit)
        done, to = settle_or_end(store, configuration, row, cancellation, by, note)
    if to:
        typer.echo(f"{done.number} is cancelled; {', '.join(p.email for p in to)} are told.")
    else:
        typer.echo(f"{done.number} is cancelled; nobody is known to mail it to: tell the crew.")


@app.command()
def pack(
    context: typer.Context,
    visit: VisitArgument,
    *,
    fleet: FleetOption = Path("fleet"),
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Where to write it. Default: here, by number."),
    ] = None,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Write a visit's work pack as PDF: the day, what to bring, and each job's sheet."""
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.visits.pack_paper import pack_paper  # noqa: PLC0415 - lazy
    from gateway.visits.telling import pack_of, page_of  # noqa: PLC0415 - lazy

    configuration = configured(fleet)
    with opened(nearer(context, data, records)) as store:
        row = visit_of(store, visit)
        made = pack_of(store, configuration, row, now_ms=now_ms())
    path = out or Path(f"{row.number}.pdf")
    try:
        paper = pack_paper(made, made_ms=now_ms(), page=page_of(configuration, row))
        path.write_bytes(paper)
    except OSError as error:
        fail(f"The work pack cannot be written: {error}. Name another file with --out.")
    typer.echo(f"The work pack of {row.number} is in {path}.")
