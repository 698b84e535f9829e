"""The form of a fault: its catalogue entry and its settings.

A fault that cannot say what to do is not an alarm (ISA-18.2: an alarm requires a response), so the
action, the consequence and the causes are part of the type.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from rules.events import Severity

__all__ = ["CauseEntry", "Fault", "Setting"]


@dataclass(frozen=True)
class Setting:
    """One number a person may override for the fleet, a site or a unit.

    ``reason`` says why the default is what it is and where it comes from, 'common practice' if it
    is only that.
    """

    name: str
    default: float
    unit: str
    low: float
    high: float
    meaning: str
    reason: str


@dataclass(frozen=True)
class CauseEntry:
    """A possible cause of a fault's symptom, as the master alarm list shows it."""

    slug: str
    title: str
    look_at: str
    job_plan: str = ""


@dataclass(frozen=True)
class Fault:
    """The catalogue entry of one fault.

    ``needs`` are the signals without which it cannot be judged; ``helps`` those that sharpen the
    diagnosis. ``suppressed_by`` names the faults that explain this one away. ``judged_by`` tells
    whether samples or the receiver's clock (silence) drive it. ``response`` is the time to respond
    by severity, in words. ``job_plan`` is a slug of :mod:`rules.jobplans`.
    """

    slug: str
    title: str
    family: Literal[
        "float and level", "pump and screen", "water quality", "fans", "heat rejection",
        "hygiene and frost", "telemetry", "own rules",
    ]  # fmt: skip
    meaning: str
    consequence: str
    action: str
    causes: tuple[CauseEntry, ...]
    needs: tuple[str, ...]
    helps: tuple[str, ...]
    suppressed_by: tuple[str, ...]
    response: Mapping[Severity, str]
    job_plan: str
    settings: tuple[Setting, ...]
    judged_by: Literal["frames", "bins", "clock"] = "frames"
    needs_any: tuple[tuple[str, ...], ...] = field(default=())
    """Beside ``needs``: groups of signals of each of which it needs one at least."""
    waits: bool = field(default=True)
    """Whether it waits while a fault that would explain it is seen but its delay still runs."""
    site_wide: bool = field(default=False)
    """Whether one unit carries it for its whole site (:attr:`rules.plan.FleetPlan.anchor_row`)."""
    spoils_heat: bool = field(default=False)
    """Whether temperature differences taken while it stood say nothing once it is mended: then they
    are forgotten, lest coil or pads are blamed for them. Not for what follows from coil and pads:
    a high head pressure goes each evening, with what the day showed of its cause."""
    yields_to: tuple[str, ...] = field(default=())
    """Faults that, while they stand, keep this one from being raised anew; raised first it stays.
    For pairs of which either can be the root: the first to be sure has the ticket."""
    explains_from: int = field(default=1)
    """Severity from which it explains away the faults that name it in ``suppressed_by``, and keeps
    back those that name it in ``yields_to``: a low grade that is an early sign does neither yet."""
