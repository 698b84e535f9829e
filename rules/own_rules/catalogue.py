"""Which own rules apply to a unit, and what each looks like beside the catalogue's faults.

A rule may stand in the fleet's file, a site's, or a unit's. As with settings the nearer word
counts: a unit's rule takes the place of one with the same id in its site's or the fleet's file.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from rules.equipment import OwnRule, Site, Unit
from rules.events import Severity
from rules.faults.base import Fault
from rules.own_rules.compiled import compile_condition

__all__ = ["PREFIX", "Placed", "fault_of", "own_fault", "placed_rules", "rules_of", "slug_of"]

PREFIX: Final = "own-"
"""Slugs of own rules begin so; no fault of the catalogue does."""

RESPONSE: Final = {
    Severity.LOW: "with the next planned work",
    Severity.MEDIUM: "this week",
    Severity.HIGH: "today",
}


@dataclass(frozen=True)
class Placed:
    """An own rule and where it stands: ``site`` and ``unit`` are '' where it is for all."""

    rule: OwnRule
    site: str = ""
    unit: str = ""

    @property
    def place(self) -> str:
        """Where it applies, in words."""
        if not self.site:
            return "every unit"
        return f"{self.site}/{self.unit}" if self.unit else f"every unit of {self.site}"


def slug_of(rule: OwnRule) -> str:
    """The rule's slug in alarms, tickets and commands."""
    return f"{PREFIX}{rule.id}"


def rules_of(fleet: Sequence[OwnRule], site: Site, unit: Unit) -> tuple[OwnRule, ...]:
    """The own rules that apply to a unit, by their ids' first appearance."""
    if not (fleet or site.rules or unit.rules):
        return ()
    return tuple({rule.id: rule for rule in (*fleet, *site.rules, *unit.rules)}.values())


def placed_rules(fleet: Sequence[OwnRule], sites: Sequence[Site]) -> Iterator[Placed]:
    """Every own rule of the files, with its place."""
    yield from (Placed(rule) for rule in fleet)
    for site in sites:
        yield from (Placed(rule, site.id) for rule in site.rules)
        for unit in site.units:
            yield from (Placed(rule, site.id, unit.id) for rule in unit.rules)


def fault_of(rule: OwnRule) -> Fault:
    """The rule as an entry of the master alarm list."""
    condition = compile_condition(rule.condition)
    return Fault(
        slug=slug_of(rule),
        title=rule.title,
        family="own rules",
        meaning=rule.text,
        consequence="the rule does not say; whoever set it knows what it guards.",
        action=(
            "Do what the text of the rule says, which stands under what is wrong. The steps below "
            "are those of the job plan that the rule names."
        ),
        causes=(),
        needs=condition.signals,
        helps=(),
        suppressed_by=(),
        response={severity_of(rule): RESPONSE[severity_of(rule)]},
        job_plan=rule.job_plan,
        settings=(),
    )


def severity_of(rule: OwnRule) -> Severity:
    """The severity that the rule's priority stands for."""
    return Severity[rule.priority.upper()]


def own_fault(fleet: Sequence[OwnRule], site: Site, unit: Unit, slug: str) -> Fault | None:
    """The entry of an own rule's slug as it applies to a unit; None if there is none."""
    for rule in rules_of(fleet, site, unit):
        if slug_of(rule) == slug:
            return fault_of(rule)
    return None
