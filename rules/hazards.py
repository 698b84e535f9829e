"""Hazards of work on a condenser and the caution that belongs to each.

Owns the signal words, the table of cautions and what is said about each refrigerant. The wording is
ours. Sources: signal words by ANSI Z535.4-2007, 4.14.1-4.14.4 (as quoted elsewhere; the standard
itself was not seen); water by the HSE's "Legionnaires' disease: What you must do" and, from memory,
HSG274 part 1; refrigerant groups by ASHRAE 34 / ISO 817, from memory; the rest is common practice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final

from rules.equipment import Refrigerant

__all__ = [
    "ALWAYS",
    "CAUTIONS",
    "REFRIGERANTS",
    "Caution",
    "Hazard",
    "RefrigerantSafety",
    "SignalWord",
    "cautions_for",
]


class SignalWord(StrEnum):
    """How bad it gets if the hazard is not avoided, worst first (ANSI Z535.4).

    DANGER: death or serious injury *will* follow. WARNING: it *could* follow. CAUTION: minor or
    moderate injury could. NOTICE: not about injury, but about property or practice.
    """

    DANGER = "DANGER"
    WARNING = "WARNING"
    CAUTION = "CAUTION"
    NOTICE = "NOTICE"


class Hazard(StrEnum):
    """What can hurt a person, or do damage, at a condenser."""

    ELECTRICAL = "electrical"
    ROTATING = "rotating"
    STORED_ENERGY = "stored-energy"
    REFRIGERANT = "refrigerant"
    LEGIONELLA = "legionella"
    FALLS = "falls"
    CHEMICALS = "chemicals"
    CONFINED_SPACE = "confined-space"
    HOT_SURFACES = "hot-surfaces"
    WET_PADS = "wet-pads"
    SHARP_EDGES = "sharp-edges"
    MANUAL_HANDLING = "manual-handling"
    SITE_LOAD = "site-load"
    COIL_DAMAGE = "coil-damage"
    DRAINED_WATER = "drained-water"


@dataclass(frozen=True)
class Caution:
    """One caution: signal word, the hazard in a few words, how to avoid it, and its source."""

    word: SignalWord
    hazard: Hazard
    title: str
    text: str
    source: str

    def __post_init__(self) -> None:
        """Refuse a caution that says nothing."""
        if not (self.title.strip() and self.text.strip() and self.source.strip()):
            msg = f"the caution on {self.hazard.value} needs a title, a text and a source"
            raise ValueError(msg)


@dataclass(frozen=True)
class RefrigerantSafety:
    """A refrigerant's safety group (ASHRAE 34 / ISO 817, from memory) and its harm to people."""

    name: str
    group: str
    text: str


_PRESSURE = (
    "The circuit stays under pressure when the plant is stopped. Open no joint, cap or valve of "
    "it: that is for qualified, licensed people."
)
_HFC = (
    "It pushes out the air you breathe, has little smell, is heavier than air and lies in pits and "
    "basins. The liquid freezes skin and eyes. In a flame or on a hot surface it breaks down into "
    "toxic, corrosive gas. At a leak: get out, keep others out, let air in, call the site."
)


def _hfc(name: str) -> RefrigerantSafety:
    return RefrigerantSafety(name, "A1", _HFC)


# Groups: ASHRAE 34 / ISO 817, from memory. Ammonia is class B because its occupational exposure
# limit is under 400 ppm. What each does to people: from memory, common practice.
REFRIGERANTS: Final[Mapping[Refrigerant, RefrigerantSafety]] = MappingProxyType({
    "R717": RefrigerantSafety(
        "R717 (ammonia)", "B2L",
        "Toxic, with a sharp smell, and mildly flammable. It burns eyes, lungs and wet skin. If "
        "you smell it: leave crosswind, then go upwind, warn others, follow the site's emergency "
        "plan. No flame, no spark. Nobody goes near a suspected leak without the site's gas "
        "procedure, gas detection and the breathing protection it asks for.",
    ),
    "R744": RefrigerantSafety(
        "R744 (carbon dioxide)", "A1",
        "Very high pressure, even at standstill. No smell; it pushes out the air you breathe and "
        "is toxic by itself from a few per cent. Heavier than air: it lies in pits and basins. The "
        "jet and dry ice freeze skin and eyes. At a leak: get out and up, keep others out, call "
        "the site.",
    ),
    "R134a": _hfc("R134a"),
    "R404A": _hfc("R404A"),
    "R407A": _hfc("R407A"),
    "R448A": _hfc("R448A"),
    "R449A": _hfc("R449A"),
    "R513A": _hfc("R513A"),
})  # fmt: skip

_PRACTICE: Final = "common practice"

CAUTIONS: Final[tuple[Caution, ...]] = (
    Caution(
        SignalWord.DANGER, Hazard.ELECTRICAL, "Live parts kill",
        "Isolate, lock, and test for absence of voltage before any cover comes off or any wire is "
        "touched. Water and electricity are close together here. Tests on live parts only by "
        "people qualified for them, under the site's rules.",
        "29 CFR 1910.147; NFPA 70E art. 120 (from memory)",
    ),
    Caution(
        SignalWord.DANGER, Hazard.ROTATING, "Fans and pump start by themselves",
        "A fan that turns takes off fingers, and any fan of the row can start without notice. Wind "
        "turns even a locked-off fan. No hand and no tool past a guard until the drive is locked "
        "off and the blades stand still and are held.",
        "29 CFR 1910.147(d)(5); common practice",
    ),
    Caution(
        SignalWord.WARNING, Hazard.STORED_ENERGY, "Energy stays after the switch is off",
        "Charged drive capacitors, wind-milling blades, water standing in risers and headers, "
        "refrigerant pressure, automatic restart. Work through step 5 for each of them, and check "
        "again if it can build up.",
        "29 CFR 1910.147(d)(5)",
    ),
    Caution(
        SignalWord.WARNING, Hazard.REFRIGERANT, "Refrigerant under pressure", _PRESSURE,
        "ASHRAE 34 / ISO 817 (from memory); common practice",
    ),
    Caution(
        SignalWord.WARNING, Hazard.LEGIONELLA, "Basin water can carry Legionella",
        "Breathing its spray can make you gravely ill. Fans off and water still before you open "
        "the unit. Make no spray: low pressure, no compressed air, no high-pressure washing. Wear "
        "what the site's water safety plan says, and breathing protection where spray cannot be "
        "avoided. Take more care after the water stood still and warm. People with weak lungs or "
        "weak defences stay away. These readings are no test for Legionella.",
        "HSE, Legionnaires' disease: What you must do; HSG274 part 1 (from memory)",
    ),
    Caution(
        SignalWord.WARNING, Hazard.FALLS, "Falls from roof, ladder and wet steps",
        "Use the site's safe access and fall protection. Do not stand on the unit's casing, pads "
        "or basin rim. Wet plates, scale and ice are slippery. Not alone, not in a storm or in the "
        "dark without light; someone must know where you are.",
        _PRACTICE,
    ),
    Caution(
        SignalWord.WARNING, Hazard.CHEMICALS, "Treatment chemicals burn and gas",
        "Biocide, acid and descaler hurt eyes, skin and lungs, and some make toxic gas when they "
        "meet. Stop dosing and lock it off first. Read the safety data sheet, wear what it says, "
        "mix nothing, know the nearest eye wash.",
        _PRACTICE,
    ),
    Caution(
        SignalWord.WARNING, Hazard.CONFINED_SPACE, "Do not climb in",
        "A basin, plenum or pit that one can enter but hardly leave may be a confined space; gas "
        "heavier than air collects there. Do the work from outside. If someone must go in: only "
        "after the site has assessed it, and under its permit where it asks for one.",
        "29 CFR 1910.146(b) (from memory)",
    ),
    Caution(
        SignalWord.CAUTION, Hazard.HOT_SURFACES, "Hot pipes and motors",
        "Discharge pipes, headers and motors stay hot after a stop, and the coil's top rows too. "
        "Let them cool, or wear gloves for heat.",
        _PRACTICE,
    ),
    Caution(
        SignalWord.CAUTION, Hazard.WET_PADS, "Wet pads are heavy",
        "Stop wet running early and let the pads dry before you lift them. Two people for a wet or "
        "scaled pad. Mind wind on a roof: a pad is a sail.",
        _PRACTICE,
    ),
    Caution(
        SignalWord.CAUTION, Hazard.SHARP_EDGES, "Sharp fins and edges",
        "Coil fins and cut sheet metal slice skin. Cut-resistant gloves and sleeves; no bare hand "
        "along the coil.",
        _PRACTICE,
    ),
    Caution(
        SignalWord.CAUTION, Hazard.MANUAL_HANDLING, "Awkward loads",
        "Pumps, motors, panels and covers are heavy for where they sit. Get a second person or "
        "lifting gear before you unbolt them, and tie off what can drop.",
        _PRACTICE,
    ),
    Caution(
        SignalWord.NOTICE, Hazard.SITE_LOAD, "The plant loses this condenser",
        "While it is off, head pressure of the rest rises and stored goods may warm. Agree the "
        "time with the site; cooler hours cost the least.",
        _PRACTICE,
    ),
    Caution(
        SignalWord.NOTICE, Hazard.COIL_DAMAGE, "Fins and pads are soft",
        "Rinse at low pressure and straight on. A strong jet lays fins flat and tears flutes. Only "
        "cleaners that the unit's manual allows.",
        _PRACTICE,
    ),
    Caution(
        SignalWord.NOTICE, Hazard.DRAINED_WATER, "Mind where the water goes",
        "Drained water carries sludge, salts and treatment chemicals. Send it where the site and "
        "local rules allow, not to the rain drain or over the roof.",
        _PRACTICE,
    ),
)  # fmt: skip
"""All cautions, the worst first."""

ALWAYS: Final = frozenset({
    Hazard.ELECTRICAL, Hazard.ROTATING, Hazard.STORED_ENERGY, Hazard.REFRIGERANT,
    Hazard.LEGIONELLA, Hazard.FALLS,
})  # fmt: skip
"""Hazards of being at such a machine at all: their cautions go with every job."""


def cautions_for(
    hazards: frozenset[Hazard], refrigerant: Refrigerant | None
) -> tuple[Caution, ...]:
    """The cautions of a job, those of :data:`ALWAYS` included, the worst first.

    ``hazards`` are the job's own. The caution on refrigerant is worded for ``refrigerant``; None
    says that it is not known here.
    """
    wanted = ALWAYS | hazards
    return tuple(
        _refrigerant_caution(c, refrigerant) if c.hazard is Hazard.REFRIGERANT else c
        for c in CAUTIONS
        if c.hazard in wanted
    )


def _refrigerant_caution(general: Caution, refrigerant: Refrigerant | None) -> Caution:
    if refrigerant is None:
        return Caution(
            general.word, general.hazard, "Refrigerant under pressure, kind not recorded here",
            f"{_PRESSURE} Read the unit's nameplate for the refrigerant before you go near it, and "
            "the site's emergency plan for what to do at a leak.",
            general.source,
        )  # fmt: skip
    known = REFRIGERANTS[refrigerant]
    return Caution(
        general.word, general.hazard, f"{known.name}, safety group {known.group}, under pressure",
        f"{_PRESSURE} {known.text}", general.source,
    )  # fmt: skip
