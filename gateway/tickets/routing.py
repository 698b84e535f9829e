"""Who gets a ticket's mail: by the site's team, the ticket's priority, and who is on duty then.

Plain frozen data made from the on-call file; the desk asks it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from gateway.digests.timetable import Timetable
from gateway.oncall.roster import Roster
from gateway.tickets.notice import NoticeKind, Priority, Recipient

__all__ = ["OutageRule", "Recipients", "Routing", "TeamRoute"]

Recipients = tuple[tuple[Recipient, ...], tuple[Recipient, ...]]
"""Those the mail is for, and those in copy."""


@dataclass(frozen=True)
class OutageRule:
    """When silent sites become one mail: from the ``sites``-th within ``within_ms`` on.

    The mail lists what has come within ``wait_ms`` of the first that it lists. Common practice.
    """

    sites: int = 4
    within_ms: int = 15 * 60_000
    wait_ms: int = 3 * 60_000


@dataclass(frozen=True)
class TeamRoute:
    """The people of one team.

    ``digest`` says when the planner gets the low tickets in one mail (None: each by itself),
    ``hand_over`` when the monitoring centre gets a summary (None: never). ``name`` and
    ``time_zone`` are shown in them. ``roster`` says who of ``people`` (by id) is on duty when; a
    team that takes no turns has ``on_call`` only, who are told together. ``webhooks`` are names of
    other systems, with the kinds of notice that each is told.
    """

    on_call: tuple[Recipient, ...] = ()
    planner: tuple[Recipient, ...] = ()
    monitoring: tuple[Recipient, ...] = ()
    roster: Roster | None = None
    people: Mapping[str, Recipient] = field(default_factory=dict)
    name: str = ""
    time_zone: str = "UTC"
    digest: Timetable | None = None
    hand_over: Timetable | None = None
    outage: OutageRule = OutageRule()
    webhooks: Mapping[str, frozenset[NoticeKind]] = field(default_factory=dict)

    def first_told(self, priority: Priority, at_ms: int) -> tuple[Recipient, ...]:
        """Those who are told of a ticket first: the chain's first step, else who is on duty."""
        roster = self.roster
        if roster is not None:
            steps = roster.steps.get(priority)
            # The first rotation written is the one that is called first.
            tell = steps[0].tell if steps else tuple(roster.rotations)[:1]
            if tell:
                return tuple(self.people[one] for one in roster.people(tell, at_ms))
        return self.on_call


@dataclass(frozen=True)
class Routing:
    """The teams by their id, and the id of the team that looks after each site."""

    teams: Mapping[str, TeamRoute] = field(default_factory=dict)
    team_of_site: Mapping[str, str] = field(default_factory=dict)

    def team(self, site_id: str) -> TeamRoute | None:
        """The team that looks after a site; None where nobody does."""
        return self.teams.get(self.team_of_site.get(site_id, ""))

    def allowed_ms(self, site_id: str, priority: Priority, at_ms: int) -> int:
        """The moment itself if the team may be told of this priority then, else the next."""
        team = self.team(site_id)
        if team is None or team.roster is None or self.has_digest(site_id, priority):
            return at_ms  # the digest has times of its own
        return team.roster.allowed_ms(priority, at_ms)

    def has_digest(self, site_id: str, priority: Priority) -> bool:
        """Whether a site's notices of this priority go into a digest."""
        team = self.team(site_id)
        return priority == "low" and team is not None and team.digest is not None

    def webhooks(self, site_id: str, kind: NoticeKind) -> tuple[str, ...]:
        """The names of the other systems that are told of this kind of notice."""
        team = self.team(site_id)
        if team is None:
            return ()
        return tuple(name for name, kinds in team.webhooks.items() if kind in kinds)

    @property
    def desks(self) -> tuple[str, ...]:
        """The addresses of every team's monitoring desk, each once."""
        found = [p.email for team in self.teams.values() for p in team.monitoring]
        return tuple(dict.fromkeys(found))

    def recipients(self, site_id: str, priority: Priority, at_ms: int) -> Recipients:
        """High and medium go to who is on call at that moment, low to the planner.

        The monitoring centre is in copy of the former. A team without a planner gets its low
        tickets through who is on call, rather than nobody. Both parts are empty where the site has
        no team.
        """
        team = self.team(site_id)
        if team is None:
            return (), ()
        if priority == "low" and team.planner:
            return team.planner, ()
        told = team.first_told(priority, at_ms)
        if priority == "low":
            return told, ()
        # Whoever gets the mail does not also get the copy of it.
        taken = {person.email.lower() for person in told}
        return told, tuple(p for p in team.monitoring if p.email.lower() not in taken)
