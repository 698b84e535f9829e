"""``basinward visits``: which visits to make; the planner's wishes; work packs for the crews."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.asking import ByOption, JsonOption, NoteOption, nearer, opened
from gateway.cli.options import (
    DataOption,
    FleetOption,
    OwnDataOption,
    OwnRecordsOption,
    RecordsOption,
)
from gateway.cli.ticket_ask import now_ms
from gateway.cli.visit_season import season

if TYPE_CHECKING:
    from gateway.config import Configuration
    from gateway.records import Records
    from gateway.records.visit_rows import PlanRow, VisitRow

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
            [VisitState.PROPOSED, VisitState.CONFIRMED, VisitState.WITHDRAWN], since_day=_today()
        )
        plan = store.visit_plan()
    if as_json:
        print_json({"visits": [_as_data(row) for row in rows], "plan": _plan_data(plan)})
        return
    if not rows:
        out().print("No visit is planned. `basinward visits propose` makes a plan.")
        return
    _print(rows)


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

    try:
        from gateway.visits.proposing import propose as make  # noqa: PLC0415 - lazy
    except ModuleNotFoundError:
        fail("Planning needs the extra 'visits': pip install '.[visits]' brings its solver.")
    configuration = _configured(fleet)
    if not configuration.visits.crews:
        fail(
            "There are no crews. Write crews.toml in the fleet directory (README, Visits), and "
            "[visit] with coordinates in the site files."
        )
    with opened(nearer(context, data, records)) as store:
        rows, plan = make(store, configuration, now_ms(), seconds)
    if as_json:
        print_json({"visits": [_as_data(row) for row in rows], "plan": _plan_data(plan)})
        return
    _print(rows)
    _print_plan(plan)


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
                print_json({"plan": _plan_data(plan), "wishes": [vars(w) for w in wishes]})
                return
            if plan is None:
                out().print("No plan was made yet. `basinward visits propose` makes one.")
            else:
                _print_plan(plan)
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
        row = _visit_of(store, visit)
    if as_json:
        print_json(_as_data(row))
        return
    _print_visit(row)


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
        row = _visit_of(store, visit)
        _wish(store, row, "pin", by, note, _chosen(row, jobs), day=row.day, crew=row.crew)


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
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Have a visit, or some of its jobs, on another day or done by another crew."""
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy

    if day is None and not crew:
        fail("Say where to: --day DATE, --crew ID, or both.", 2)
    with opened(nearer(context, data, records)) as store:
        row = _visit_of(store, visit)
        when = day.date().isoformat() if day is not None else ""
        _wish(store, row, "move", by, note, _chosen(row, jobs), day=when, crew=crew)


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
        row = _visit_of(store, visit)
        if not jobs:
            fail(f"Name the jobs to take out with --job. {_jobs_of(row)}", 2)
        chosen = _chosen(row, jobs)
        rest = sorted(row.course.needs - set(chosen))
        if not rest:
            fail("That is the whole visit: use move or refuse.", 2)
        _wish(store, row, "split", by, note, chosen, apart=rest)


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
        row = _visit_of(store, visit)
        last = until.date().isoformat() if until is not None else row.day
        first = "" if until is not None else row.day
        _wish(store, row, "refuse", by, note, _chosen(row, jobs), day=first, until_day=last)


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
    with opened(nearer(context, data, records)) as store:
        store.end_visit_wish(wish, by=by, now_ms=now_ms())
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
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.visits.telling import VisitError, confirm_visit  # noqa: PLC0415 - lazy

    configuration = _configured(fleet)
    with opened(nearer(context, data, records)) as store:
        row = _visit_of(store, visit)
        try:
            done, to = confirm_visit(store, configuration, row, by=by, note=note, now_ms=now_ms())
        except VisitError as error:
            fail(str(error))
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
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.visits.telling import VisitError, cancel_visit  # noqa: PLC0415 - lazy

    configuration = _configured(fleet)
    with opened(nearer(context, data, records)) as store:
        row = _visit_of(store, visit)
        try:
            done, to = cancel_visit(store, configuration, row, by=by, note=note, now_ms=now_ms())
        except VisitError as error:
            fail(str(error))
    typer.echo(f"{done.number} is cancelled; {', '.join(p.email for p in to)} are told.")


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

    configuration = _configured(fleet)
    with opened(nearer(context, data, records)) as store:
        row = _visit_of(store, visit)
        made = pack_of(store, configuration, row, now_ms=now_ms())
    path = out or Path(f"{row.number}.pdf")
    try:
        paper = pack_paper(made, made_ms=now_ms(), page=page_of(configuration, row))
        path.write_bytes(paper)
    except OSError as error:
        fail(f"The work pack cannot be written: {error}. Name another file with --out.")
    typer.echo(f"The work pack of {row.number} is in {path}.")


# --- what the commands share ------------------------------------------------------------------


def _configured(fleet: Path) -> Configuration:
    import os  # noqa: PLC0415 - lazy

    from gateway.cli.output import errors, fail, print_problems  # noqa: PLC0415 - lazy
    from gateway.config import ConfigurationFaults, load  # noqa: PLC0415 - lazy

    try:
        return load(fleet, os.environ)
    except ConfigurationFaults as faults:
        print_problems(faults.problems, errors())
        fail("The configuration has faults; see above. basinward check shows them again.")


def _today() -> str:
    return datetime.now(UTC).date().isoformat()


def _visit_of(store: Records, number: str) -> VisitRow:
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy

    text = number.strip().upper()
    if text.isascii() and text.isdigit() and len(text) < 12:
        text = f"V-{int(text):06d}"
    row = store.visit(text)
    if row is None:
        fail(f"There is no visit '{number}'. `basinward visits` lists them.")
    return row


def _chosen(row: VisitRow, jobs: list[str] | None) -> list[str]:
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy

    if not jobs:
        return sorted(row.course.needs)
    unknown = [job for job in jobs if job not in row.course.needs]
    if unknown:
        fail(f"{row.number} has no job '{unknown[0]}'. {_jobs_of(row)}", 2)
    return jobs


def _jobs_of(row: VisitRow) -> str:
    return f"Its jobs are {', '.join(sorted(row.course.needs))}."


def _wish(
    store: Records,
    row: VisitRow,
    kind: str,
    by: str,
    note: str,
    needs: list[str],
    **more: object,
) -> None:
    from gateway.records.visit_rows import VisitState  # noqa: PLC0415 - lazy
    from gateway.records.visits import NewWish  # noqa: PLC0415 - lazy
    from rules.visits.wishes import WishKind  # noqa: PLC0415 - lazy

    changes = row.state is VisitState.CONFIRMED and kind != "pin"
    wish = NewWish(WishKind(kind), needs, **more)  # type: ignore[arg-type]  # all are its fields
    number = store.wish_visit(
        wish, by=by, note=note, now_ms=now_ms(), reopens=row.number if changes else ""
    )
    typer.echo(f"Wish {number} recorded. `basinward visits propose` makes a plan that keeps it.")
    if changes:
        typer.echo(
            f"{row.number} was confirmed: its crew keeps what it was told until you confirm the "
            "changed visit, or cancel it."
        )


def _as_data(row: VisitRow) -> dict[str, object]:
    return {**vars(row), "course": row.course.to_json()}


def _plan_data(plan: PlanRow | None) -> dict[str, object] | None:
    return None if plan is None else {"made_ms": plan.made_ms, **plan.outcome.to_json()}


def _print(rows: list[VisitRow]) -> None:
    from gateway.cli.output import print_table  # noqa: PLC0415 - lazy

    print_table(
        ("visit", "day", "crew", "state", "sites", "jobs", "on the road"),
        [
            (
                row.number, row.day, row.course.crew_name,
                _state(row), ", ".join(stop.site for stop in row.course.stops),
                str(len(row.course.needs)), f"{row.course.drive_h:.1f} h",
            )
            for row in rows
        ],
    )  # fmt: skip


def _state(row: VisitRow) -> str:
    from gateway.records.visit_rows import VisitState  # noqa: PLC0415 - lazy

    if row.state is VisitState.PROPOSED and row.sequence >= 0:
        return "changed, to confirm"
    if row.state is VisitState.WITHDRAWN:
        return "withdrawn, to cancel"
    return row.state.value


def _print_visit(row: VisitRow) -> None:
    from gateway.cli.output import out, utc  # noqa: PLC0415 - lazy

    course = row.course
    lines = [
        f"{row.number}, {row.day}, {course.crew_name}: {_state(row)}"
        + (f" by {row.changed_by}" if row.sequence >= 0 else ""),
        f"leaves {utc(course.leaves_ms)}, back {utc(course.home_ms)}, {course.drive_h:.1f} h on "
        f"the road, {course.cost_h:.1f} crew hours by the plan's prices",
    ]
    if course.why:
        lines.append(course.why)
    for stop in course.stops:
        lines += [f"{stop.site}, {utc(stop.begins_ms)} to {utc(stop.ends_ms)}", f"  {stop.why}"]
        if stop.wet_off_ms is not None:
            lines.append(f"  wet running off by {utc(stop.wet_off_ms)}, so that the pads are dry")
        lines += [
            f"  - {job.key}: {job.job}, {job.hours:.1f} h"
            + (f", {', '.join(job.tickets)}" if job.tickets else "")
            for job in stop.jobs
        ]
    for line in lines:
        out().print(line, markup=False)


def _print_plan(plan: PlanRow) -> None:
    from gateway.cli.output import out  # noqa: PLC0415 - lazy

    outcome = plan.outcome
    lines = [
        f"The plan of {outcome.day_count} days from {outcome.first_day} costs "
        f"{outcome.cost_h:.1f} crew hours (driving, set-up, early cleaning, risk); at most "
        f"{outcome.gap * 100:.1f} % of that could be saved by another of its kind."
    ]
    if outcome.is_cut:
        lines.append("There were too many ways to combine sites; only some were looked at.")
    lines += [f"Not kept: {text}" for text in outcome.conflicts]
    lines += [f"Left: {one.key}: {one.why}" for one in outcome.left]
    if outcome.not_planned:
        lines.append(
            f"Not planned, as their files have no [visit] table: {', '.join(outcome.not_planned)}."
        )
    for line in lines:
        out().print(line, markup=False)
