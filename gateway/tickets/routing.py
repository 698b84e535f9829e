"""Who gets a ticket's mail: by the site's team and the ticket's priority.

Plain frozen data made from the on-call file; the desk asks it, and a later schedule of shifts can
make a new one whenever the people change.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from gateway.tickets.notice import Priority, Recipient

__all__ = ["Recipients", "Routing", "TeamRoute"]

Recipients = tuple[tuple[Recipient, ...], tuple[Recipient, ...]]
"""Those the mail is for, and those in copy."""


@dataclass(frozen=True)
class TeamRoute:
    """The people of one team."""

    on_call: tuple[Recipient, ...]
    planner: tuple[Recipient, ...] = ()
    monitoring: tuple[Recipient, ...] = ()


@dataclass(frozen=True)
class Routing:
    """The teams by their id, and the id of the team that looks after each site."""

    teams: Mapping[str, TeamRoute] = field(default_factory=dict)
    team_of_site: Mapping[str, str] = field(default_factory=dict)

    @property
    def desks(self) -> tuple[str, ...]:
        """The addresses of every team's monitoring desk, each once."""
        found = [p.email for team in self.teams.values() for p in team.monitoring]
        return tuple(dict.fromkeys(found))

    def recipients(self, site_id: str, priority: Priority) -> Recipients:
        """High and medium go to those on call with monitoring in copy, low to the planner.

        A team without a planner gets its low tickets through those on call, rather than nobody.
        Both parts are empty where the site has no team.
        """
        team = self.teams.get(self.team_of_site.get(site_id, ""))
        if team is None:
            return (), ()
        if priority == "low":
            return team.planner or team.on_call, ()
        return team.on_call, team.monitoring
