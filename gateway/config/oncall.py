"""``oncall.toml``: people, teams, and how a team's duty goes round; and the routing made from it.

Times of day and dates are local to the team's time zone. People who take turns have an id under
``[people]``; a team without rotations simply names those on call.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import date, datetime, time
from typing import Annotated, Final, Literal, Self, get_args
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from gateway.channels.cloud_event import EVENT_NAMES
from gateway.digests.timetable import Timetable
from gateway.oncall.roster import Hours, Roster, Step
from gateway.oncall.rotation import Override, Rotation, local_ms
from gateway.tickets.notice import NoticeKind, Priority, Recipient
from gateway.tickets.routing import OutageRule, Routing, TeamRoute
from rules.equipment import EMail, Identifier, Site, Text, time_zone_names

__all__ = ["OnCallFile", "Person", "Team", "WebhookTable", "routing_of", "webhook_name"]

Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
_WEEKDAYS: Final[tuple[Weekday, ...]] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


NoticeName = Literal[
    "opened", "worsened", "repeated", "reminded", "escalated", "returned", "passed", "reopened",
    "still-out-of-service", "hand-back-not-proven",
]  # fmt: skip
_KIND_OF: Final = {name: kind for kind, name in EVENT_NAMES.items()}


class _Model(BaseModel):
    """Frozen, and an unknown key is a fault: a misspelt setting must not be silently ignored."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class Person(_Model):
    """Someone, or a shared mailbox, that tickets are sent to."""

    name: Text
    email: EMail
    text_address: EMail | None = Field(
        default=None, description="an address that turns a mail into a text on a telephone"
    )
    text_priorities: Annotated[tuple[Priority, ...], Field(min_length=1, max_length=3)] = ("high",)

    @property
    def recipient(self) -> Recipient:
        """This person, as the desk knows him."""
        return Recipient(self.name, self.email, self.text_address or "", self.text_priorities)


class RotationTable(_Model):
    """People (ids of ``[people]``) who take turns of ``days`` days, the first from ``first`` on."""

    name: Identifier
    people: Annotated[tuple[Identifier, ...], Field(min_length=1, max_length=50)]
    first: date
    hand_over: time = time(8)
    days: int = Field(default=7, ge=1, le=366)


class OverrideTable(_Model):
    """``person`` takes a rotation's duty from ``begins`` until ``ends``, local date-times."""

    rotation: Identifier
    person: Identifier
    begins: datetime
    ends: datetime
    note: Text | None = None

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.begins.tzinfo is not None or self.ends.tzinfo is not None:
            msg = "begins and ends are local times of the team: write them without an offset"
            raise ValueError(msg)
        if self.begins >= self.ends:
            msg = f"ends ({self.ends}) is not after begins ({self.begins})"
            raise ValueError(msg)
        return self


class HoursTable(_Model):
    """When a priority may disturb people: on these weekdays, between these local times."""

    days: Annotated[tuple[Weekday, ...], Field(min_length=1, max_length=7)] = _WEEKDAYS[:5]
    begins: time = time(7)
    ends: time = time(18)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.ends != time(0) and self.begins >= self.ends:
            msg = f"ends ({self.ends:%H:%M}) is not after begins ({self.begins:%H:%M}) on that day"
            raise ValueError(msg)
        return self


class StepTable(_Model):
    """Who is told ``after_min`` minutes after the ticket, while nobody has acknowledged it."""

    after_min: int = Field(ge=0, le=10_080)
    tell: Annotated[tuple[Identifier, ...], Field(min_length=1, max_length=20)]


class ListTable(_Model):
    """When a mail that lists tickets goes out: at these local times on these weekdays."""

    send: bool = True
    at: Annotated[tuple[time, ...], Field(min_length=1, max_length=24)]
    days: Annotated[tuple[Weekday, ...], Field(min_length=1, max_length=7)] = _WEEKDAYS
    holidays_too: bool = True


class DigestTable(ListTable):
    """When the planner gets the tickets of low priority in one mail: at 7 on working days."""

    at: Annotated[tuple[time, ...], Field(min_length=1, max_length=24)] = (time(7),)
    days: Annotated[tuple[Weekday, ...], Field(min_length=1, max_length=7)] = _WEEKDAYS[:5]
    holidays_too: bool = False


class ShiftSummaryTable(ListTable):
    """When the monitoring centre gets its summary: three shifts a day (common practice)."""

    at: Annotated[tuple[time, ...], Field(min_length=1, max_length=24)] = (
        time(6), time(14), time(22),
    )  # fmt: skip


class OutageTable(_Model):
    """Silent sites become one mail from the ``sites``-th within ``within_min`` minutes on."""

    sites: int = Field(default=4, ge=2, le=10_000)
    within_min: int = Field(default=15, ge=1, le=1_440)
    wait_min: int = Field(default=3, ge=1, le=60)


class WebhookTable(_Model):
    """Another system that is told of the team's tickets: https, or http on this machine."""

    name: Identifier
    url: Annotated[str, Field(pattern=r"^https?://[^\s/@?#]+(/[^\s#]*)?$", max_length=2000)]
    secret_env: Annotated[
        str | None, Field(pattern=r"^[A-Za-z_][A-Za-z0-9_]*$", max_length=200)
    ] = None
    secret_file: Annotated[str | None, Field(min_length=1, max_length=4096)] = None
    ca_file: Annotated[str | None, Field(min_length=1, max_length=4096)] = None
    events: Annotated[tuple[NoticeName, ...], Field(min_length=1)] = get_args(NoticeName)

    @property
    def kinds(self) -> frozenset[NoticeKind]:
        """The kinds of notice that it is told."""
        return frozenset(_KIND_OF[name] for name in self.events)

    @field_validator("url")
    @classmethod
    def _encrypted_or_local(cls, url: str) -> str:
        try:
            parts = urlsplit(url)
            host, _ = parts.hostname or "", parts.port
            local = host == "localhost" or (
                parts.scheme == "http" and ipaddress.ip_address(host).is_loopback
            )
        except ValueError:
            host, local = "", False
        if not url.startswith("https://") and not local:
            msg = "http goes over the network for anybody to read: use https, or http to 127.0.0.1"
            raise ValueError(msg)
        return url

    @model_validator(mode="after")
    def _secret_named(self) -> Self:
        if (self.secret_env is None) == (self.secret_file is None):
            msg = f"webhook '{self.name}' needs secret_env or secret_file, and one of them only"
            raise ValueError(msg)
        return self


class Team(_Model):
    """Who gets the tickets of a team's sites.

    High and medium priority go to who is on call with ``monitoring`` in copy; low goes to
    ``planner``. Who is on call: the first rotation's person on duty, else all of ``on_call``.
    """

    name: Text
    time_zone: Text = "UTC"
    on_call: Annotated[tuple[Person, ...], Field(max_length=50)] = ()
    planner: Annotated[tuple[Person, ...], Field(min_length=1, max_length=50)]
    monitoring: Annotated[tuple[Person, ...], Field(max_length=50)] = ()
    rotations: Annotated[tuple[RotationTable, ...], Field(max_length=20)] = ()
    overrides: Annotated[tuple[OverrideTable, ...], Field(max_length=1_000)] = ()
    holidays: Annotated[tuple[date, ...], Field(max_length=1_000)] = ()
    hours: dict[Literal["low", "medium"], HoursTable] = {}
    escalation: dict[Literal["medium", "high"], tuple[StepTable, ...]] = {}
    digest: DigestTable = DigestTable()
    shift_summary: ShiftSummaryTable = ShiftSummaryTable()
    outage: OutageTable = OutageTable()
    webhooks: Annotated[tuple[WebhookTable, ...], Field(max_length=10)] = ()

    @field_validator("time_zone")
    @classmethod
    def _zone_known(cls, name: str) -> str:
        if name not in time_zone_names():
            msg = f"'{name}' is not a time zone of the IANA database, such as Europe/Lisbon"
            raise ValueError(msg)
        return name

    @model_validator(mode="after")
    def _somebody_is_on_call(self) -> Self:
        if not self.on_call and not self.rotations:
            msg = "nobody is on call: name people in on_call, or write [[rotations]]"
            raise ValueError(msg)
        return self

    @model_validator(mode="after")
    def _summary_has_a_reader(self) -> Self:
        asked_for = "shift_summary" in self.model_fields_set and self.shift_summary.send
        if asked_for and not self.monitoring:
            msg = "shift_summary goes to the monitoring centre: name it in monitoring"
            raise ValueError(msg)
        return self

    @model_validator(mode="after")
    def _names_fit(self) -> Self:
        hooks = [hook.name for hook in self.webhooks]
        if twice := {name for name in hooks if hooks.count(name) > 1}:
            msg = f"two webhooks are called '{min(twice)}'; each needs a name of its own"
            raise ValueError(msg)
        names = [r.name for r in self.rotations]
        if twice := {name for name in names if names.count(name) > 1}:
            msg = f"two rotations are called '{min(twice)}'; each needs a name of its own"
            raise ValueError(msg)
        for override in self.overrides:
            if override.rotation not in names:
                msg = f"the override of {override.begins} names the rotation "
                msg += f"'{override.rotation}'; there is {_listed(names)}"
                raise ValueError(msg)
        for priority, steps in self.escalation.items():
            minutes = [step.after_min for step in steps]
            if not minutes or minutes[0] != 0 or minutes != sorted(set(minutes)):
                msg = f"the escalation of {priority} priority must begin with after_min = 0 and go "
                msg += "on with a longer time in each step"
                raise ValueError(msg)
        return self


class OnCallFile(_Model):
    """``oncall.toml``: people who take turns, and the teams."""

    people: dict[Identifier, Person] = {}
    teams: Annotated[dict[Identifier, Team], Field(min_length=1)]

    @model_validator(mode="after")
    def _people_known(self) -> Self:
        for team_id, team in self.teams.items():
            rotations = {r.name for r in team.rotations}
            if both := rotations & self.people.keys():
                msg = f"'{min(both)}' is a person and a rotation of team '{team_id}': rename one"
                raise ValueError(msg)
            for place, name in _people_named(team):
                if name not in self.people and not (place == "escalation" and name in rotations):
                    msg = f"{place} of team '{team_id}' names '{name}', which is not under "
                    msg += f"[people]; there is {_listed(self.people)}"
                    raise ValueError(msg)
        return self


def _people_named(team: Team) -> Iterator[tuple[str, str]]:
    for rotation in team.rotations:
        yield from (("a rotation", person) for person in rotation.people)
    yield from (("an override", override.person) for override in team.overrides)
    for steps in team.escalation.values():
        yield from (("escalation", name) for step in steps for name in step.tell)


def _listed(names: Collection[str]) -> str:
    return ", ".join(sorted(names)) if names else "none"


# --- what the gateway makes of it -----------------------------------------------------------------


def routing_of(oncall: OnCallFile, sites: Iterable[Site]) -> Routing:
    """Whom to tell, by team and moment."""
    people = {key: person.recipient for key, person in oncall.people.items()}
    routes = {team_id: _route(team_id, team, people) for team_id, team in oncall.teams.items()}
    return Routing(routes, {site.id: site.team for site in sites})


def webhook_name(team_id: str, table: WebhookTable) -> str:
    """The name of a webhook that is unique in the fleet."""
    return f"{team_id}/{table.name}"


def _route(team_id: str, team: Team, people: Mapping[str, Recipient]) -> TeamRoute:
    return TeamRoute(
        on_call=_recipients(team.on_call),
        planner=_recipients(team.planner),
        monitoring=_recipients(team.monitoring),
        roster=_roster(team),
        people=people,
        webhooks={webhook_name(team_id, table): table.kinds for table in team.webhooks},
        name=team.name,
        time_zone=team.time_zone,
        digest=_timetable(team, team.digest),
        hand_over=_timetable(team, team.shift_summary) if team.monitoring else None,
        outage=OutageRule(
            team.outage.sites, team.outage.within_min * 60_000, team.outage.wait_min * 60_000
        ),
    )


def _timetable(team: Team, table: ListTable) -> Timetable | None:
    if not table.send:
        return None
    return Timetable(
        times=table.at,
        weekdays=frozenset(map(_WEEKDAYS.index, table.days)),
        zone=ZoneInfo(team.time_zone),
        holidays=frozenset() if table.holidays_too else frozenset(team.holidays),
    )


def _roster(team: Team) -> Roster:
    zone = ZoneInfo(team.time_zone)
    rotations = {
        r.name: Rotation(r.name, r.people, zone, r.first, r.hand_over, r.days)
        for r in team.rotations
    }
    for o in team.overrides:
        override = Override(o.person, _moment(o.begins, zone), _moment(o.ends, zone))
        rotation = rotations[o.rotation]
        rotations[o.rotation] = replace(rotation, overrides=(*rotation.overrides, override))
    steps: dict[Priority, tuple[Step, ...]] = {
        priority: tuple(Step(step.after_min, step.tell) for step in table)
        for priority, table in team.escalation.items()
    }
    hours: dict[Priority, Hours] = {
        priority: Hours(frozenset(map(_WEEKDAYS.index, table.days)), table.begins, table.ends)
        for priority, table in team.hours.items()
    }
    return Roster(zone, rotations, steps, hours, frozenset(team.holidays))


def _moment(local: datetime, zone: ZoneInfo) -> int:
    return local_ms(local.date(), local.time(), zone)


def _recipients(people: Iterable[Person]) -> tuple[Recipient, ...]:
    unique: dict[str, Recipient] = {}
    for person in people:
        unique.setdefault(person.email.lower(), person.recipient)
    return tuple(unique.values())
