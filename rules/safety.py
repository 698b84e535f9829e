"""The isolation block: how to make a unit safe before any work on it.

Every ticket carries one. Its constructor refuses a block with a part missing or out of order, so
that a ticket without it cannot be built. The order of the steps is that of 29 CFR 1910.147(d)(1) to
(6), of the release that of (e)(1) to (3); the wording is ours. The block reminds; it does not
authorise: the site's energy-control procedure, local codes, the unit's manual and licensed practice
come first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum
from types import MappingProxyType
from typing import Final

from rules.equipment import Energy, IsolationPoint, Site, Unit
from rules.hazards import ALWAYS, Caution, cautions_for
from rules.jobplans import JobPlan

__all__ = [
    "ORDER",
    "RELEASE_ORDER",
    "IsolationBlock",
    "IsolationStep",
    "ReleasePart",
    "ReleaseStep",
    "SafetyTextMissing",
    "StepPart",
    "isolation_block",
    "unrecorded_point",
]


class SafetyTextMissing(ValueError):
    """An isolation block, or a ticket, lacks safety text that it must not go without."""


class StepPart(IntEnum):
    """The parts of isolation in their fixed order, 29 CFR 1910.147(d)(1) to (d)(6)."""

    PREPARE = 1
    SHUT_DOWN = 2
    ISOLATE = 3
    LOCK_AND_TAG = 4
    STORED_ENERGY = 5
    VERIFY = 6


class ReleasePart(IntEnum):
    """The parts of the release in their fixed order, 29 CFR 1910.147(e)(1) to (e)(3)."""

    MACHINE = 1
    PEOPLE = 2
    LOCKS = 3


ORDER: Final = tuple(StepPart)
RELEASE_ORDER: Final = tuple(ReleasePart)

_STEP_MUST_SAY: Final[Mapping[StepPart, tuple[str, ...]]] = MappingProxyType({
    StepPart.PREPARE: ("energy-control procedure", "manual"),
    StepPart.SHUT_DOWN: ("tell", "refrigeration", "fans", "pump"),
    StepPart.ISOLATE: ("every",),
    StepPart.LOCK_AND_TAG: ("lock", "tag", "own"),
    StepPart.STORED_ENERGY: (
        "wind", "capacitors", "water", "refrigerant", "trapped", "automatic restart",
    ),
    StepPart.VERIFY: ("try to start", "absence of voltage", "back to off"),
})  # fmt: skip
_RELEASE_MUST_SAY: Final[Mapping[ReleasePart, tuple[str, ...]]] = MappingProxyType(
    {
        ReleasePart.MACHINE: ("tools", "guards"),
        ReleasePart.PEOPLE: ("clear",),
        ReleasePart.LOCKS: ("person who put it on", "tell"),
    }
)
_TEXT_MUST_SAY: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "procedure": (),
        "who": ("authorised",),
        "reminder": ("reminds", "does not authorise"),
        "defers": ("energy-control procedure", "local codes", "manual", "licensed"),
        "not_isolation": ("remote stop", "controller", "software"),
        "testing": ("clear", "isolate", "again"),
    }
)


@dataclass(frozen=True)
class IsolationStep:
    """One of the six parts of isolation: its place in the order, a title, and what to do."""

    part: StepPart
    title: str
    actions: tuple[str, ...]


@dataclass(frozen=True)
class ReleaseStep:
    """One of the three parts of the release."""

    part: ReleasePart
    title: str
    actions: tuple[str, ...]


@dataclass(frozen=True)
class IsolationBlock:
    """How to make one unit safe for one job, complete or not at all.

    ``site_id``, ``unit_id`` and ``plan`` say what the block is for; ``unit_id`` is '' where the job
    is on the panel of a site's gateway. ``points`` are the places to isolate, the electrical one
    among them. ``gaps`` names energies of the job for which no point is recorded. ``who``,
    ``reminder``, ``defers``, ``not_isolation`` and ``testing`` (power for a test during the work)
    are sentences. ``cautions`` go from the worst down.

    Raises SafetyTextMissing, naming all that is missing, if any part is empty, is out of the fixed
    order, or does not say what it must.
    """

    site_id: str
    unit_id: str
    plan: str
    procedure: str
    who: str
    reminder: str
    defers: str
    not_isolation: str
    steps: tuple[IsolationStep, ...]
    points: tuple[IsolationPoint, ...]
    gaps: tuple[str, ...]
    testing: str
    release: tuple[ReleaseStep, ...]
    cautions: tuple[Caution, ...]

    def __post_init__(self) -> None:
        """Refuse a block that is not complete."""
        missing = [
            *_text_faults(self),
            *_step_faults(self.steps, ORDER, _STEP_MUST_SAY, "isolation"),
            *_point_faults(self.points),
            *_step_faults(self.release, RELEASE_ORDER, _RELEASE_MUST_SAY, "release"),
            *_caution_faults(self.cautions),
        ]
        if missing:
            target = f"{self.site_id}/{self.unit_id or 'panel'}, job '{self.plan}'"
            msg = (
                f"isolation block for {target} is not complete: {'; '.join(missing)}. "
                "Add what is missing; no ticket goes out without it"
            )
            raise SafetyTextMissing(msg)


def isolation_block(site: Site | None, unit: Unit | None, plan: JobPlan) -> IsolationBlock:
    """The isolation block for one job on one unit, or on the panel of a site's gateway.

    ``unit`` is None where the job is on the whole site; ``site`` is None where the site file is
    gone. What is not recorded is said to be not recorded, with where to find it; nothing is left
    out. ``unit`` without ``site`` is a ValueError.
    """
    if unit is not None and site is None:
        msg = f"unit '{unit.id}' is given without its site"
        raise ValueError(msg)
    procedure = site.energy_control_procedure if site else "not recorded here; ask the site for it"
    points = unit.isolation if unit else ()
    if plan.place == "panel" or unit is None:
        points = (*points, unrecorded_point("electrical", plan, procedure))
    return IsolationBlock(
        site_id=site.id if site else "",
        unit_id=unit.id if unit else "",
        plan=plan.slug,
        procedure=procedure,
        who=(
            "Only an authorised employee: trained for this, named by the employer, and the one who "
            "does the work. Each person at work hangs their own lock; several crews work under one "
            "coordinator."
        ),
        reminder=(
            "This text reminds; it does not authorise work, and it is no permit. It was made from "
            "the site file without anyone looking at the machine."
        ),
        defers=(
            "The site's energy-control procedure, local codes, the unit's manual and licensed "
            "practice come first. Where they differ from this text, follow them."
        ),
        not_isolation=(
            "A remote stop, a controller or selector in off, and any command of software, this one "
            "included, are not isolation: only a device that cuts the energy itself is."
        ),
        steps=_steps(site, unit, plan, procedure),
        points=points,
        gaps=_gaps(plan, points),
        testing=(
            "If power is needed for a test in between: tools and people clear, locks off by those "
            "who put them on, power on, test. Then isolate, lock and verify again from the start."
        ),
        release=_RELEASE,
        cautions=cautions_for(plan.hazards, unit.condenser.refrigerant if unit else None),
    )


def unrecorded_point(energy: Energy, plan: JobPlan, procedure: str) -> IsolationPoint:
    """A stand-in for an isolation point that no file records, saying so and where to look."""
    what = (
        "the gateway's panel and all it feeds, circuits fed from elsewhere too"
        if plan.place == "panel"
        else "the unit"
    )
    return IsolationPoint(
        label="NOT RECORDED",
        energy=energy,
        isolates=what,
        location=f"find it before you start, by the site's procedure ({procedure[:300]})",
        method="as the site's procedure says; lock and tag",
        verify="test for absence of voltage at the place of work, tester proved before and after",
    )


def _steps(
    site: Site | None, unit: Unit | None, plan: JobPlan, procedure: str
) -> tuple[IsolationStep, ...]:
    contact = ""
    if site:
        first = site.contacts[0]
        contact = f" Start with {first.name}, {first.role}" + (
            f", {first.phone}." if first.phone else "."
        )
    stop = _STOP_PANEL if plan.place == "panel" else _STOP_UNIT
    fans = f"The {unit.fans.count} fans" if unit and unit.fans.count > 1 else "Fans"
    return (
        IsolationStep(StepPart.PREPARE, "Prepare", (
            f"Read the site's energy-control procedure ({procedure}) and the unit's own manual.",
            ("Know each energy that reaches the machine, how much it is, what it can do and how it "
            "is cut. Walk to every point of the table and read its label."),
            ("While it still runs: look at what the job lists under 'look first' and take the "
            "'before' readings, from outside, guards on, opening nothing."),
            "Safe access, light, weather, somebody who knows where you are.",
        )),
        IsolationStep(StepPart.SHUT_DOWN, "Tell people, then shut down", (
            f"Tell everyone whom the stop affects, before you lock anything.{contact}",
            *stop,
        )),
        IsolationStep(StepPart.ISOLATE, "Isolate", (
            "Operate every isolating device of the table, and any the site's procedure adds.",
        )),
        IsolationStep(StepPart.LOCK_AND_TAG, "Lock and tag", (
            ("Your own lock and your own tag on each device, in the off or shut position. A device "
            "that takes no lock gets a tag and what else the site's procedure asks for."),
        )),
        IsolationStep(StepPart.STORED_ENERGY, "Let stored energy go, or hold it", (
            f"{fans}: wind turns them. Wait until the blades stand still, then hold or block them.",
            "Drives: capacitors stay charged. Wait the time on the drive's label, then measure.",
            ("Water: drain or vent risers, header and make-up line slowly; shut-in water is under "
            "pressure."),
            ("Refrigerant: coil and pipes stay under pressure. Open no joint, and do not shut "
            "liquid in between two valves: trapped liquid bursts pipes as it warms."),
            ("Automatic restart: timers, frost protection and controllers may call at any time. "
            "Nothing may move when power comes back."),
            "Where energy can build up again, keep checking until the work is done.",
        )),
        IsolationStep(StepPart.VERIFY, "Verify", (
            ("See that nobody is exposed, then try to start fans and pump from their normal "
            "controls, near and far. Nothing may move."),
            ("Test for absence of voltage where you will work, by a qualified person, with a "
            "tester proved on a live source before and after."),
            "Do the check named under 'verify' for every point of the table.",
            "Put all controls back to off. If one check fails, stop: no work until it is mended.",
        )),
    )  # fmt: skip


_STOP_UNIT: Final = (
    (
        "Stop the refrigeration system, or take this condenser out of it, by the site's procedure "
        "and with the people who run it. Cutting the power under load can trip the plant or lift "
        "a safety valve."
    ),
    "Then stop fans and pump from their controls, and dosing and heaters where fitted.",
)
_STOP_PANEL: Final = (
    (
        "Find out what else the panel feeds or commands. If refrigeration, fans or pump hang on "
        "it, stop the refrigeration system by the site's procedure first, then fans and pump."
    ),
)
_RELEASE: Final = (
    ReleaseStep(ReleasePart.MACHINE, "Look over the machine", (
        "Tools, rags and spare parts out. Machine in one piece; guards, panels and covers on.",
    )),
    ReleaseStep(ReleasePart.PEOPLE, "Count the people", (
        "Everyone clear of the machine and in sight, or known to be elsewhere.",
    )),
    ReleaseStep(ReleasePart.LOCKS, "Take off the locks", (
        ("Each lock and tag off by the person who put it on, nobody else. Then tell everyone whom "
        "it affects, before anything starts."),
    )),
)  # fmt: skip


def _gaps(plan: JobPlan, points: tuple[IsolationPoint, ...]) -> tuple[str, ...]:
    recorded = {p.energy for p in points}
    return tuple(
        f"No isolation point for {energy} energy is recorded for this machine, and this job needs "
        "one. Find it by the site's procedure before you start."
        for energy in sorted(plan.energies - recorded)
    )


def _text_faults(block: IsolationBlock) -> list[str]:
    faults = []
    for name, must_say in _TEXT_MUST_SAY.items():
        text = str(getattr(block, name)).casefold()
        if not text.strip():
            faults.append(f"'{name}' is empty")
        faults += [f"'{name}' does not say '{word}'" for word in must_say if word not in text]
    return faults


def _step_faults(
    steps: tuple[IsolationStep, ...] | tuple[ReleaseStep, ...],
    order: tuple[StepPart, ...] | tuple[ReleasePart, ...],
    must_say: Mapping[StepPart, tuple[str, ...]] | Mapping[ReleasePart, tuple[str, ...]],
    what: str,
) -> list[str]:
    found = [step.part for step in steps]
    if found != list(order):
        names = ", ".join(part.name for part in found) or "none"
        return [f"{what} steps are {names}; must be {', '.join(part.name for part in order)}"]
    faults = []
    words: dict[int, tuple[str, ...]] = {int(part): said for part, said in must_say.items()}
    for step in steps:
        text = " ".join((step.title, *step.actions)).casefold()
        if not step.title.strip() or not step.actions or not all(a.strip() for a in step.actions):
            faults.append(f"{what} step {step.part.name} is empty")
        faults += [
            f"{what} step {step.part.name} does not say '{word}'"
            for word in words[int(step.part)]
            if word not in text
        ]
    return faults


def _point_faults(points: tuple[IsolationPoint, ...]) -> list[str]:
    if not points:
        return ["no isolation points"]
    if not any(point.energy == "electrical" for point in points):
        return ["no electrical isolation point"]
    return []


def _caution_faults(cautions: tuple[Caution, ...]) -> list[str]:
    absent = ALWAYS - {caution.hazard for caution in cautions}
    return [f"no caution on {hazard.value}" for hazard in sorted(absent)]
