"""``crews.toml``: the crews that visits are planned for, and what planning weighs.

The file may be missing: then no visits are planned. Times of day are by the clock at the sites.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from datetime import date, time
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from gateway.config.files import Document
from gateway.config.report import Level, Problem
from gateway.config.sentences import nearest, problem_at
from gateway.tickets.notice import Recipient
from gateway.visits.settings import CrewSettings, VisitSettings
from rules.equipment import EMail, Identifier, Text, Weekday
from rules.visits.needs import TRIP_H
from rules.visits.problem import Prices
from rules.visits.skills import SKILLS

__all__ = ["CrewTable", "CrewsFile", "PlanningTable", "check_crew_teams", "visit_settings"]

_WEEK: tuple[Weekday, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
Skill = Literal["condenser", "electrical", "controls", "water-treatment", "refrigerant"]


class _Model(BaseModel):
    """Frozen, and an unknown key is a fault: a misspelt setting must not be silently ignored."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class Member(_Model):
    """Someone of a crew, or its shared mailbox."""

    name: Text
    email: EMail


class CrewTable(_Model):
    """People who go out together in one vehicle, from one base."""

    name: Text
    team: Identifier
    latitude_deg: float = Field(ge=-90, le=90, description="of the base")
    longitude_deg: float = Field(ge=-180, le=180, description="of the base")
    skills: Annotated[tuple[Skill, ...], Field(min_length=1, max_length=10)] = ("condenser",)
    people: int = Field(default=1, ge=1, le=20)
    begins: time = time(7)
    ends: time = time(16)
    days: Annotated[tuple[Weekday, ...], Field(min_length=1, max_length=7)] = _WEEK[:5]
    days_off: Annotated[tuple[date, ...], Field(max_length=1_000)] = ()
    members: Annotated[tuple[Member, ...], Field(min_length=1, max_length=20)]

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.begins >= self.ends:
            msg = (
                f"ends ({self.ends:%H:%M}) is not after begins ({self.begins:%H:%M}) on that day; "
                "a crew's day does not go over midnight"
            )
            raise ValueError(msg)
        return self


class PlanningTable(_Model):
    """How crews drive, how far ahead is planned, and what is worth what, in crew hours."""

    speed_km_h: float = Field(default=60.0, ge=5, le=130, description="mean speed on the road")
    detour: float = Field(
        default=1.3, ge=1.0, le=3.0, description="way on the road over the way as the crow flies"
    )
    horizon_days: int = Field(default=28, ge=1, le=120)
    trip_h: float = Field(default=TRIP_H, ge=0, le=10_000, description="what a trip costs")
    isolation_h: float = Field(
        default=Prices.isolation_h, ge=0, le=8,
        description="isolation, release and hand-back of a unit",
    )  # fmt: skip
    arrival_h: float = Field(
        default=Prices.arrival_h, ge=0, le=4, description="gate, induction, roof access of a site"
    )
    near_h: float = Field(
        default=Prices.near_h, ge=0, le=8,
        description="driving time within which sites may share a day",
    )  # fmt: skip
    most_sites: int = Field(default=Prices.most_sites, ge=1, le=4, description="sites a day")


class CrewsFile(_Model):
    """``crews.toml``."""

    planning: PlanningTable = PlanningTable()
    crews: Annotated[dict[Identifier, CrewTable], Field(max_length=200)] = {}

    @field_validator("crews")
    @classmethod
    def _skills_are_the_rules(cls, crews: dict[str, CrewTable]) -> dict[str, CrewTable]:
        for crew in crews.values():
            if unknown := set(crew.skills) - set(SKILLS):  # the two lists must be the same
                msg = f"no job asks for the skill {', '.join(sorted(unknown))}"
                raise ValueError(msg)
        return crews


def visit_settings(file: CrewsFile | None) -> VisitSettings:
    """The settings of a file; without one there are no crews."""
    if file is None:
        return VisitSettings()
    table = file.planning
    return VisitSettings(
        tuple(_crew(crew_id, crew) for crew_id, crew in sorted(file.crews.items())),
        table.speed_km_h,
        table.detour,
        table.horizon_days,
        table.trip_h,
        Prices(
            isolation_h=table.isolation_h,
            arrival_h=table.arrival_h,
            near_h=table.near_h,
            most_sites=table.most_sites,
        ),
    )


def check_crew_teams(
    document: Document, file: CrewsFile | None, teams: Collection[str], placed: Collection[str]
) -> Iterator[Problem]:
    """Crews of a team that oncall.toml does not have, or of none of those that have ``placed``
    sites.
    """
    for crew_id, crew in (file.crews if file else {}).items():
        path = ("crews", crew_id, "team")
        if crew.team not in teams:
            guess = nearest(crew.team, teams)
            yield problem_at(
                document, path, "oncall.toml has no such team.",
                allowed=", ".join(sorted(teams)),
                todo=f"Did you mean '{guess}'?" if guess else "Name a team of oncall.toml.",
            )  # fmt: skip
        elif crew.team not in placed:
            yield problem_at(
                document, path, "no site of this team has coordinates, so the crew has nothing "
                "to plan.",
                todo="Write [visit] with latitude_deg and longitude_deg in the site files.",
                level=Level.WARNING,
            )  # fmt: skip


def _crew(crew_id: str, crew: CrewTable) -> CrewSettings:
    return CrewSettings(
        id=crew_id,
        name=crew.name,
        team=crew.team,
        latitude_deg=crew.latitude_deg,
        longitude_deg=crew.longitude_deg,
        skills=frozenset(crew.skills),
        people=crew.people,
        begins=crew.begins,
        ends=crew.ends,
        weekdays=frozenset(map(_WEEK.index, crew.days)),
        days_off=frozenset(crew.days_off),
        members=tuple(Recipient(m.name, m.email) for m in crew.members),
    )
