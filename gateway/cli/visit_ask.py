"""What the commands about visits share: finding, wishing, settling and printing them."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from gateway.cli.asking import commanding
from gateway.cli.ticket_ask import now_ms

if TYPE_CHECKING:
    from collections.abc import Callable

    from gateway.config import Configuration
    from gateway.records import Records
    from gateway.records.visit_rows import PlanRow, VisitRow
    from gateway.tickets.notice import Recipient
    from gateway.visits.telling import Settling

__all__ = [
    "as_data",
    "chosen",
    "configured",
    "crews_of",
    "jobs_of",
    "plan_data",
    "print_plan",
    "print_visit",
    "print_visits",
    "settle_or_end",
    "today",
    "visit_of",
    "wish_or_end",
]


def configured(fleet: Path) -> Configuration:
    """The fleet directory's configuration; its faults end the command."""
    import os  # noqa: PLC0415 - lazy

    from gateway.cli.output import errors, fail, print_problems  # noqa: PLC0415 - lazy
    from gateway.config import ConfigurationFaults, load  # noqa: PLC0415 - lazy

    try:
        return load(fleet, os.environ)
    except ConfigurationFaults as faults:
        print_problems(faults.problems, errors())
        fail("The configuration has faults; see above. basinward check shows them again.")


def today() -> str:
    """The day, UTC, as an ISO date."""
    return datetime.now(UTC).date().isoformat()


def visit_of(store: Records, number: str) -> VisitRow:
    """The visit of that number, also without its letter; without one the command ends."""
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy

    text = number.strip().upper()
    if text.isascii() and text.isdigit() and len(text) < 12:
        text = f"V-{int(text):06d}"
    row = store.visit(text)
    if row is None:
        fail(f"There is no visit '{number}'. `basinward visits` lists them.")
    return row


def chosen(row: VisitRow, jobs: list[str] | None) -> list[str]:
    """The jobs named, or all of the visit; a job that it does not have ends the command."""
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy

    if not jobs:
        return sorted(row.course.needs)
    unknown = [job for job in jobs if job not in row.course.needs]
    if unknown:
        fail(f"{row.number} has no job '{unknown[0]}'. {jobs_of(row)}", 2)
    return jobs


def jobs_of(row: VisitRow) -> str:
    """A sentence that names its jobs."""
    return f"Its jobs are {', '.join(sorted(row.course.needs))}."


def crews_of(fleet: Path) -> set[str] | None:
    """The crews of the fleet directory; where it cannot be read that is said, and None."""
    import os  # noqa: PLC0415 - lazy

    from gateway.config import ConfigurationFaults, load  # noqa: PLC0415 - lazy

    try:
        return {crew.id for crew in load(fleet, os.environ).visits.crews}
    except ConfigurationFaults:
        typer.echo(
            f"Whether there is such a crew cannot be told from {fleet}; name the configuration "
            "with --fleet.",
            err=True,
        )
        return None


def settle_or_end(
    store: Records,
    configuration: Configuration,
    row: VisitRow,
    make: Callable[..., Settling],
    by: str,
    note: str,
) -> tuple[VisitRow, tuple[Recipient, ...]]:
    """Confirm or cancel, with its entry in the audit trail; who is told."""
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.visits.telling import VisitError  # noqa: PLC0415 - lazy
    from gateway.visits.wishing import visit_facts  # noqa: PLC0415 - lazy

    try:
        ready = make(store, configuration, row, by=by, note=note, now_ms=now_ms())
    except VisitError as error:
        fail(str(error))
    with store.audit.acting(commanding(), now_ms()) as act:
        done = ready.write(store)
        told = {"by": by.strip(), "told": [person.email for person in ready.to]}
        act.note(
            "visit: confirm" if done.state.value == "confirmed" else "visit: cancel",
            row.number, before=visit_facts(row),
            after=visit_facts(done) | told | ({"note": note} if note else {}),
        )  # fmt: skip
    return done, ready.to


def wish_or_end(
    store: Records,
    row: VisitRow,
    kind: str,
    by: str,
    note: str,
    needs: list[str],
    crews: set[str] | None = None,
    **more: object,
) -> None:
    """Record a wish and its entry in the audit trail; what no plan could keep ends the command."""
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.records import RecordsError  # noqa: PLC0415 - lazy
    from gateway.records.visits import NewWish  # noqa: PLC0415 - lazy
    from gateway.visits.telling import VisitError  # noqa: PLC0415 - lazy
    from gateway.visits.wishing import (  # noqa: PLC0415 - lazy
        check_wish,
        reopens,
        visit_facts,
        wish_facts,
    )
    from rules.visits.wishes import WishKind  # noqa: PLC0415 - lazy

    wish = NewWish(WishKind(kind), needs, **more)  # type: ignore[arg-type]  # all are its fields
    try:
        check_wish(row, wish, crews, now_ms())
    except VisitError as error:
        fail(str(error))
    changes = reopens(row, wish)
    with store.audit.acting(commanding(), now_ms()) as act:
        if store.visit(row.number) != row:
            msg = f"Visit {row.number} was changed meanwhile. Look at it, then say it again."
            raise RecordsError(msg)
        number = store.wish_visit(wish, by=by, note=note, now_ms=act.now_ms, reopens=changes)
        act.note(
            f"visit: {kind}", row.number, before=visit_facts(row),
            after=wish_facts(number, wish, note) | {"by": by.strip()},
        )  # fmt: skip
    typer.echo(f"Wish {number} recorded. `basinward visits propose` makes a plan that keeps it.")
    if changes:
        typer.echo(
            f"{row.number} was confirmed: its crew keeps what it was told until you confirm the "
            "changed visit, or cancel it."
        )


def as_data(row: VisitRow) -> dict[str, object]:
    """A visit for other programs."""
    return {**vars(row), "course": row.course.to_json()}


def plan_data(plan: PlanRow | None) -> dict[str, object] | None:
    """How the plan came out, for other programs."""
    return None if plan is None else {"made_ms": plan.made_ms, **plan.outcome.to_json()}


def print_visits(rows: list[VisitRow]) -> None:
    """Visits, a line each."""
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
    if row.state is VisitState.REOPENED:
        return "reopened, to plan anew"
    if row.state is VisitState.WITHDRAWN:
        return "withdrawn, to cancel"
    return row.state.value


def print_visit(row: VisitRow) -> None:
    """One visit with the reason of each choice."""
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


def print_plan(plan: PlanRow) -> None:
    """How near to the best the plan is, what is left and why."""
    from gateway.cli.output import out  # noqa: PLC0415 - lazy

    outcome = plan.outcome
    lines = [
        f"The plan of {outcome.day_count} days from {outcome.first_day} costs "
        f"{outcome.cost_h:.1f} crew hours (driving, set-up, early cleaning, risk); at most "
        f"{outcome.gap * 100:.1f} % of that could be saved by another of its kind."
    ]
    if outcome.awaited:
        count = f"{outcome.awaited} unit{'s' if outcome.awaited != 1 else ''}"
        lines.append(
            f"When it was made, a date of {count} was not worked out yet: that work is not in it. "
            "Plan anew."
        )
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
