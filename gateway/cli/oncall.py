"""``basinward oncall``: who is on call, now and in the weeks to come; and as a calendar file."""

from __future__ import annotations

import os
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.options import FleetOption
from gateway.cli.output import clean, errors, fail, print_json, print_problems, print_table

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from gateway.oncall.rotation import Duty
    from gateway.tickets.routing import TeamRoute

__all__ = ["oncall"]

_DAY_MS = 86_400_000


def oncall(
    fleet: FleetOption = Path("fleet"),
    team: Annotated[
        str | None, typer.Option("--team", metavar="ID", help="Only this team.")
    ] = None,
    begins: Annotated[
        datetime | None,
        typer.Option(
            "--from",
            metavar="TIME",
            formats=["%Y-%m-%d", "%Y-%m-%dT%H:%M"],
            help="From this time on (UTC). Default: now.",
        ),
    ] = None,
    days: Annotated[int, typer.Option("--days", min=1, max=400, help="So many days.")] = 28,
    ics: Annotated[
        Path | None,
        typer.Option("--ics", metavar="FILE", help="Write an iCalendar file of the duties."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Show who is on call when: each team's rotations, with overrides, in the team's own time."""
    from gateway.config import ConfigurationFaults, load  # noqa: PLC0415 - takes a while
    from gateway.oncall.rotation import duties, on_duty  # noqa: PLC0415

    try:
        routing = load(fleet, os.environ).routing
    except ConfigurationFaults as faults:
        print_problems(faults.problems, errors())
        fail("The configuration has faults; see above. basinward check shows them again.")
    teams = dict(routing.teams)
    if team is not None:
        if team not in teams:
            fail(f"There is no team '{team}'. There is: {', '.join(sorted(teams))}.")
        teams = {team: teams[team]}
    now_ms = time.time_ns() // 1_000_000
    from_ms = now_ms if begins is None else int(begins.replace(tzinfo=UTC).timestamp() * 1000)
    rows: list[tuple[str, str, TeamRoute, Duty]] = [
        (team_id, name, route, duty)
        for team_id, route in teams.items()
        if route.roster is not None
        for name, rotation in route.roster.rotations.items()
        # From the beginning of the present duty, so that it is the same entry in every file.
        for duty in duties(rotation, on_duty(rotation, from_ms).from_ms, from_ms + days * _DAY_MS)
    ]
    if ics is not None:
        _write(ics, rows, now_ms)
        typer.echo(f"{len(rows)} duties written to {ics}.")
    elif as_json:
        print_json([_as_data(*row) for row in rows])
    else:
        _print(rows, teams)


def _print(rows: list[tuple[str, str, TeamRoute, Duty]], teams: dict[str, TeamRoute]) -> None:
    if rows:
        print_table(
            ("team", "rotation", "from", "until", "on call", "e-mail", ""),
            [
                (
                    team_id, name, _local(duty.from_ms, zone), _local(duty.until_ms, zone),
                    route.people[duty.person].name, route.people[duty.person].email,
                    "override" if duty.by_override else "",
                )
                for team_id, name, route, duty in rows
                for zone in [_zone(route)]
            ],
        )  # fmt: skip
    for team_id, route in teams.items():
        if route.roster is None or not route.roster.rotations:
            names = ", ".join(clean(f"{p.name} <{p.email}>") for p in route.on_call)
            typer.echo(f"Team {team_id} takes no turns; always on call: {names}")


def _write(path: Path, rows: list[tuple[str, str, TeamRoute, Duty]], now_ms: int) -> None:
    from gateway.calendar_file import Event, calendar  # noqa: PLC0415

    events = [
        Event(
            # The same duty has the same id in every file, so that it replaces itself.
            uid=f"{team_id}.{name}.{duty.from_ms}.oncall@basinward",
            begins_ms=duty.from_ms,
            ends_ms=duty.until_ms,
            summary=f"On call ({name}): {route.people[duty.person].name}",
            description=f"Team {team_id}, rotation {name}."
            + (" By override." if duty.by_override else ""),
            busy=False,
        )
        for team_id, name, route, duty in rows
    ]
    try:
        path.write_bytes(calendar(events, name="On call", made_ms=now_ms))
    except OSError as error:
        fail(f"{path} cannot be written: {error.strerror}. Name another file.")


def _as_data(team_id: str, name: str, route: TeamRoute, duty: Duty) -> dict[str, object]:
    person = route.people[duty.person]
    return {
        "team": team_id, "rotation": name, "person": duty.person, "name": person.name,
        "email": person.email, "from": _local(duty.from_ms, None),
        "until": _local(duty.until_ms, None), "override": duty.by_override,
    }  # fmt: skip


def _zone(route: TeamRoute) -> ZoneInfo | None:
    return route.roster.zone if route.roster is not None else None


def _local(time_ms: int, zone: ZoneInfo | None) -> str:
    """In the zone with its offset; ISO 8601 in UTC without one."""
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=time_ms)
    if zone is None:
        return moment.isoformat(timespec="seconds").replace("+00:00", "Z")
    return f"{moment.astimezone(zone):%a %Y-%m-%d %H:%M %z}"
