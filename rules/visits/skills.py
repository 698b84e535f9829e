"""Who can do which job, and which jobs want dry pads: the job plans in words that can be compared.

A job plan says in a sentence who may do it; here is the same as a set of words. A crew has all
those that one of its people has. The words are ours; what a licence is, local law says.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from rules.faults.registry import FAULT_INDEX, FAULTS

__all__ = ["JOB_OF_PART", "NEEDS_OF_JOB", "SKILLS", "JobNeeds", "job_needs", "renews"]

SKILLS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "condenser": "technician for water and refrigeration plant",
        "electrical": "qualified electrician or electrically skilled technician",
        "controls": "experience of controls, sensors and networks",
        "water-treatment": "trained in the site's water safety plan and in handling chemicals",
        "refrigerant": "licensed for refrigerant circuits, where local law asks for it",
    }
)
"""What a crew can be good for, and what it means."""


@dataclass(frozen=True)
class JobNeeds:
    """What one job asks of a crew. ``dry_pads``: pads are lifted or reached through."""

    skills: frozenset[str]
    people: int = 1
    dry_pads: bool = False


_C: Final = frozenset({"condenser"})

NEEDS_OF_JOB: Final[Mapping[str, JobNeeds]] = MappingProxyType(
    {
        "float-valve": JobNeeds(_C),
        "level-sensor": JobNeeds(frozenset({"condenser", "controls"})),
        "pump-screen": JobNeeds(_C),
        "distribution": JobNeeds(_C, dry_pads=True),
        "pump-drive": JobNeeds(frozenset({"condenser", "electrical"})),
        "water-quality": JobNeeds(frozenset({"condenser", "water-treatment"})),
        "drain-down": JobNeeds(frozenset({"condenser", "electrical", "water-treatment"})),
        "telemetry": JobNeeds(frozenset({"controls", "electrical"})),
        "full-clean": JobNeeds(_C, people=2, dry_pads=True),
        "inspection": JobNeeds(_C),
        "fan": JobNeeds(frozenset({"condenser", "electrical"})),
        "heat-rejection": JobNeeds(frozenset({"condenser", "refrigerant"})),
        "coil": JobNeeds(_C, dry_pads=True),
        "pads": JobNeeds(_C, dry_pads=True),
    }
)
"""By job plan."""

JOB_OF_PART: Final[Mapping[str, str]] = MappingProxyType(
    {
        "pump-screen": "pump-screen",
        "distribution": "distribution",
        "pads": "pads",
        "coil": "coil",
        "basin": "full-clean",
        "float": "float-valve",
        "bleed": "water-quality",
    }
)
"""The job that brings a part back to 100 %, by the part's name in a close-out."""

_UNKNOWN_JOB: Final = JobNeeds(_C)


def job_needs(slug: str) -> JobNeeds:
    """What a job plan asks of a crew; one that is not in the table asks what an inspection does."""
    return NEEDS_OF_JOB.get(slug, _UNKNOWN_JOB)


def renews(fault: str, part: str) -> bool:
    """Whether the job that a fault of the catalogue asks for is the one that renews a part.

    False for faults and parts that are not known.
    """
    job = JOB_OF_PART.get(part)
    index = FAULT_INDEX.get(fault)
    return job is not None and index is not None and FAULTS[index].job_plan == job
