"""The form of a job plan: what to bring, what to do, what to write down, how to hand back.

Owns the types alone; the plans themselves are the catalogue in :mod:`rules.jobplans`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from rules.equipment import Energy
from rules.hazards import Hazard
from rules.signals import INDEX

__all__ = ["JobPlan", "ReadingToTake"]


@dataclass(frozen=True)
class ReadingToTake:
    """One reading that a technician writes down, before the work, after it, or both.

    ``unit`` is a catalogue unit, '' for what is not a number. ``signal`` names the catalogue signal
    that shows the same quantity, '' where none does.
    """

    what: str
    unit: str = ""
    signal: str = ""
    before: bool = True
    after: bool = True

    def __post_init__(self) -> None:
        """Refuse a reading that nobody could take."""
        if not self.what.strip():
            msg = "a reading to take needs to say what is read"
            raise ValueError(msg)
        if self.signal and self.signal not in INDEX:
            msg = f"reading '{self.what}': signal '{self.signal}' is not in the catalogue"
            raise ValueError(msg)
        if not (self.before or self.after):
            msg = f"reading '{self.what}' is taken neither before nor after the work"
            raise ValueError(msg)


@dataclass(frozen=True)
class JobPlan:
    """One job: what to bring, what to do, what to write down, how to hand back.

    ``energies`` are those that must be isolated for it, always the electrical one among them.
    ``skills`` says who can do it, and where a licence is needed. ``work_min`` is the time at the
    machine for one person who knows it, in minutes, without travel, isolation and hand-back.
    ``look_first`` is what to see from outside while the machine still runs, touching nothing;
    ``steps`` are done with it isolated, ``return_to_service`` once it is released again.
    ``place`` tells whether the work is on a unit or on the panel of the site's gateway.
    ``hazards`` are those beside :data:`rules.hazards.ALWAYS`, and may be none. Any other part left
    empty is a ValueError: a plan that cannot say what to do is none.
    """

    slug: str
    title: str
    energies: frozenset[Energy]
    skills: str
    work_min: int
    tools: tuple[str, ...]
    parts: tuple[str, ...]
    look_first: tuple[str, ...]
    steps: tuple[str, ...]
    readings: tuple[ReadingToTake, ...]
    findings: tuple[str, ...]
    return_to_service: tuple[str, ...]
    hazards: frozenset[Hazard]
    place: Literal["unit", "panel"] = "unit"
    source: str = "common practice"

    def __post_init__(self) -> None:
        """Refuse a plan with a part left empty."""
        missing = [
            name
            for name in (
                "slug", "title", "energies", "skills", "tools", "parts", "look_first", "steps",
                "readings", "findings", "return_to_service", "source",
            )
            if not getattr(self, name)
        ]  # fmt: skip
        if missing:
            msg = f"job plan '{self.slug}' lacks {', '.join(missing)}"
            raise ValueError(msg)
        if "electrical" not in self.energies:
            msg = (
                f"job plan '{self.slug}' does not isolate the electrical supply; no job at a unit "
                "or at a panel goes without that"
            )
            raise ValueError(msg)
        if not 5 <= self.work_min <= 8 * 60:
            msg = f"job plan '{self.slug}': work_min is {self.work_min}, must be 5 to 480 minutes"
            raise ValueError(msg)
