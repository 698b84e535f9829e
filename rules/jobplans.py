"""Job plans: what a technician does about a fault, in the order of doing it.

Each plan is the part of a full clean or repair that one fault needs. All steps are done with the
unit isolated as :mod:`rules.safety` says; what needs the machine to run stands in
``return_to_service``. The plans are common practice of the trade in our own words; the unit's own
manual and the site's rules come before them. No step opens the refrigerant circuit.
"""

from __future__ import annotations

from collections.abc import Iterable
from types import MappingProxyType
from typing import Final

from rules.events import Evidence
from rules.faults.base import Fault
from rules.hazards import Hazard
from rules.job import JobPlan, ReadingToTake
from rules.job_words import (
    AIR,
    CONDUCTIVITY,
    CURRENT,
    ELECTRICIAN,
    HEAD,
    LEVEL,
    NO_LICENCE,
    PRESSURE,
    PUMP_ON,
    WATCH,
    items,
    of,
)
from rules.jobplans_air import AIR_SIDE_PLANS

__all__ = [
    "INSPECTION",
    "JOB_PLANS",
    "JobPlan",
    "ReadingToTake",
    "job_plan",
    "missing_plans",
    "plan_for",
]

JOB_PLANS: Final[tuple[JobPlan, ...]] = (
    JobPlan(
        slug="float-valve",
        title="Free, mend or set the float valve",
        energies=frozenset({"electrical", "water"}),
        skills=f"Technician for water and refrigeration plant. {NO_LICENCE}",
        work_min=60,
        tools=(
            "two adjustable spanners", "screwdriver", "soft brush", "bucket and hose", "torch",
            "folding rule",
        ),
        parts=(
            "seat washer or insert for the float valve", "float", "gasket or thread tape",
            "strainer element of the make-up line",
        ),
        look_first=items("""
            - The water level, whether water runs into the overflow, and whether the float valve
              passes water or stays dry.
        """),
        steps=items("""
            - Move the float by hand over its whole travel. It must be free, shut firmly at the top
              and open fully at the bottom.
            - Clear scale, slime and rubbish from float, arm and pivot. Straighten or replace a bent
              arm. Shake the float: water inside means a new float.
            - Take out the seat and the washer. Clean them, replace what is cut, worn or swollen.
            - Take out the strainer of the make-up line and rinse it. See that every valve upstream
              was fully open; if not, ask why before you open it.
            - Set the float so that it shuts at the level recorded for this unit, well below the
              overflow.
        """),
        readings=(LEVEL, of("makeup_flow"), ReadingToTake("Water meter of the make-up line")),
        findings=(
            "float: free or stuck, tight or full of water", "seat and washer", "strainer",
            "supply valve: open or throttled", "level at which the float shuts now",
        ),
        return_to_service=items(f"""
            - Open the water slowly and let the basin fill. The valve must close by itself, and the
              overflow stay dry.
            - Start the pump and watch one fall and one refill of the level.
            - {WATCH}
        """),
        hazards=frozenset({Hazard.DRAINED_WATER, Hazard.SITE_LOAD}),
    ),
    JobPlan(
        slug="level-sensor",
        title="Check the level reading against the water",
        energies=frozenset({"electrical", "water"}),
        skills=f"Technician with experience of sensors. {ELECTRICIAN}",
        work_min=45,
        tools=("folding rule or dip stick", "soft brush", "hose", "torch", "small screwdrivers"),
        parts=("level sensor or its tube", "cable gland", "connector"),
        look_first=("The level shown, and when it last moved.",),
        steps=items("""
            - Measure the water depth above the basin floor with the rule and note it beside the
              reading shown at the same minute.
            - Look at the sensor, its tube or its port: scale, slime, silt, a trapped bubble, ice.
              Clean it without pressure.
            - Check that it sits at its mark and did not slip in its holder.
            - Check cable, gland and connector for water, corrosion and strain.
            - Look along the cable for damage by heat, sun or vermin.
        """),
        readings=(LEVEL, ReadingToTake("Water depth by rule", "mm")),
        findings=(
            "reading against rule, before and after", "state of sensor, tube and port",
            "state of cable and connector", "whether the reading moved once the water moved",
        ),
        return_to_service=items(f"""
            - With power and water back, lower the level by the drain and let it refill. The reading
              must follow the rule down and up.
            - Start the pump once: the reading must dip as the pads fill.
            - {WATCH}
        """),
        hazards=frozenset({Hazard.SITE_LOAD, Hazard.DRAINED_WATER}),
    ),
    JobPlan(
        slug="pump-screen",
        title="Clean the pump's suction screen",
        energies=frozenset({"electrical", "water"}),
        skills=f"Technician for water and refrigeration plant. {NO_LICENCE}",
        work_min=60,
        tools=(
            "hose with a low-pressure head", "screwdriver", "nylon brush", "bucket and scoop",
            "torch",
        ),
        parts=("spare suction screen", "seal or clips of the screen", "basin drain plug seal"),
        look_first=items("""
            - How evenly water comes down the pads, and whether the pump rattles as if it drew air.
        """),
        steps=items("""
            - Note where the dirt lies: on the screen, in the corner of the basin, floating. Take a
              photo if the site allows it.
            - Open the basin drain and let the water go. Scoop out silt; do not flush it towards the
              pump.
            - Take out the screen. Rinse it from the inside out and brush it until light shows
              through every opening. Replace it if it is torn, bent or corroded.
            - Look into the pump's inlet. Take out what got past the screen, by hand and with the
              pump locked off. The impeller must turn freely by hand.
            - Rinse the basin floor and the strainer of the make-up line. Move the float over its
              whole travel while you are there.
            - Put the screen back so that it seats all round with no gap. Close the drain.
        """),
        readings=(PRESSURE, CURRENT, LEVEL, of("spray_flow")),
        findings=(
            "share of the screen that was covered", "what covered it: silt, scale, slime, fibres",
            "screen: sound, torn, not seated", "what was found in the pump",
            "depth of silt in the basin",
        ),
        return_to_service=items(f"""
            - Let the basin fill to the float's level before the pump starts; a dry pump wears its
              seal.
            - {PUMP_ON}
            - Check that pressure and current are back near the values this unit had when clean, and
              that water comes down evenly over all pads.
            - {WATCH}
        """),
        hazards=frozenset({Hazard.DRAINED_WATER, Hazard.SITE_LOAD, Hazard.CONFINED_SPACE}),
    ),
    JobPlan(
        slug="distribution",
        title="Clear the distribution pipe and its holes",
        energies=frozenset({"electrical", "water"}),
        skills=f"Technician for water and refrigeration plant. {NO_LICENCE}",
        work_min=90,
        tools=(
            "hose with a low-pressure head", "wooden or plastic pick of the hole's size",
            "screwdriver", "pipe brush", "torch", "marker for the pads' orientation",
        ),
        parts=("end caps and seals of the header", "hose clips", "spare pipe section if cracked"),
        look_first=(
            "Which pads are dry or streaked with scale: that shows which holes are blocked.",
        ),
        steps=items("""
            - Take off the covers over the distribution pipe. Mark the pads before you move any.
            - Clear each blocked hole by hand with the pick. Do not drill or widen it: the holes
              share the water evenly only as long as they are alike.
            - Where several holes are blocked, take off the end cap and flush the header towards the
              open end.
            - Check valves between pump and header: fully open, nothing left half shut.
            - Clean the pump's screen as well if dirt came from the basin; otherwise it comes back.
            - End cap and covers back, pads in their marked orientation.
        """),
        readings=(PRESSURE, CURRENT, of("spray_flow")),
        findings=(
            "number and place of blocked holes", "what blocked them: scale, slime, grit",
            "valve positions found", "pads: dry streaks, scale, damage",
        ),
        return_to_service=items(f"""
            - {PUMP_ON}
            - With the fans still off, see that every hole flows and each pad wets over its full
              width. Keep your face out of the spray.
            - Then fans on, and compare pressure and current with the clean values of this unit.
            - {WATCH}
        """),
        hazards=frozenset({Hazard.WET_PADS, Hazard.COIL_DAMAGE, Hazard.SITE_LOAD}),
    ),
    JobPlan(
        slug="pump-drive",
        title="Find out why the pump does not run",
        energies=frozenset({"electrical", "water"}),
        skills=f"{ELECTRICIAN} {NO_LICENCE}",
        work_min=90,
        tools=(
            "voltage tester, proved before and after", "insulation tester", "clamp meter",
            "insulated screwdrivers", "spanners", "torch",
        ),
        parts=("fuses of the rating on the drawing", "contactor", "overload relay", "spare pump"),
        look_first=items("""
            - What the controller commands, and what the starter shows: tripped, no supply, selector
              in off or hand.
            - The water level: an empty basin may hold the pump off on purpose.
        """),
        steps=items("""
            - A tripped overload has a cause. Do not reset it until you looked for that cause.
            - Isolated and proved dead: check fuses, terminals, contactor, overload and its setting
              against the motor's nameplate.
            - Measure winding and insulation resistance as the motor's manual says; note the values.
            - Turn the pump by hand. Tight or blocked: clear the inlet and the screen, check the
              bearings.
            - Check dry-run and level protection and their wiring. Never bridge them.
        """),
        readings=(
            CURRENT, of("supply_voltage"), PRESSURE, LEVEL,
            ReadingToTake("Motor insulation to earth, isolated", "MΩ", before=False),
        ),
        findings=(
            "what was tripped, open or off", "the cause", "fuse and overload: rating and setting",
            "insulation and winding resistance", "pump: free, tight, seized",
        ),
        return_to_service=items(f"""
            - See that the basin is full. Reset what tripped, once.
            - {PUMP_ON}
            - Three-phase: check the direction of rotation and that the phase currents are alike. If
              it trips again, isolate and stop looking by resetting.
            - {WATCH}
        """),
        hazards=frozenset({Hazard.MANUAL_HANDLING, Hazard.HOT_SURFACES, Hazard.SITE_LOAD}),
    ),
    JobPlan(
        slug="water-quality",
        title="Bring the basin water back: bleed, probe, dosing",
        energies=frozenset({"electrical", "water"}),
        skills=(
            "Technician who knows this site's water treatment plan; ask the water treatment "
            "contractor where the plan says so."
        ),
        work_min=75,
        tools=(
            "hand-held conductivity meter and a fresh reference solution", "soft brush", "bucket",
            "hose", "watch and measuring jug for the bleed flow", "spanners", "torch",
        ),
        parts=("bleed valve or its coil", "bleed strainer", "conductivity probe"),
        look_first=("The conductivity shown, and whether water runs from the bleed line.",),
        steps=items("""
            - Take a sample of basin water and one of make-up water. Measure both by hand and note
              them beside the readings of the probe.
            - Check the bleed line: valve in its marked place, strainer clean, pipe not blocked or
              frozen, end of the pipe free. A shut or blocked bleed is the usual cause of too much;
              one stuck open wastes water.
            - Check the bleed valve's coil and wiring with the supply isolated.
            - Clean the probe as its manual says and check it in the reference solution.
            - See that the dosing plant has product and is not air-locked; leave its settings to the
              treatment plan.
            - If the water is beyond the limit of the plan, drain part of the basin as the plan says
              and let fresh water in.
        """),
        readings=(
            CONDUCTIVITY,
            ReadingToTake("Basin water by hand-held meter, at 25 °C", "µS/cm"),
            ReadingToTake("Make-up water by hand-held meter, at 25 °C", "µS/cm"),
            of("bleed_flow"), of("basin_temperature"),
        ),
        findings=(
            "probe against hand-held meter", "bleed: open, blocked, shut by someone, stuck open",
            "dosing: running, empty, air-locked", "colour, smell, slime, scale",
            "how much water was drained",
        ),
        return_to_service=items("""
            - Open the bleed to its marked place and measure its flow with jug and watch.
            - Pump on, and see the conductivity fall over the next hours; the ticket stays open
              until it does.
            - Enter the work in the site's water safety records.
        """),
        hazards=frozenset({Hazard.CHEMICALS, Hazard.DRAINED_WATER, Hazard.SITE_LOAD}),
    ),
    *AIR_SIDE_PLANS,
    JobPlan(
        slug="drain-down",
        title="Drain the basin and leave it safe: standing water, frost",
        energies=frozenset({"electrical", "water"}),
        skills=f"Technician trained in the site's water safety plan. {ELECTRICIAN}",
        work_min=120,
        tools=(
            "voltage tester, proved before and after", "hose", "soft brush and scoop",
            "wet vacuum or bucket", "thermometer", "torch", "grit for icy ground",
            "gloves, eye protection and the mask that the water safety plan asks for",
        ),
        parts=("drain gasket", "hose clamp", "frost plug or cap for the drain"),
        look_first=items("""
            - Do not start the spray: standing water may hold Legionella. Ask the keeper of the
              site's water safety plan what is to be done before anyone touches it.
            - Is wet operation over for the season, or is the unit needed tomorrow?
            - In frost: ice on basin, pads, pipes, walkways? Keep away from hanging ice.
        """),
        steps=items("""
            - Shut and lock the make-up supply; open the drain and let the basin run empty by the
              site's rule for such water. Make no spray.
            - Ice: let it thaw, never strike it off pads, coil or plastic pipes.
            - Empty pump, suction line and distribution pipe at their drain points. Water left in
              them freezes first.
            - Rinse out the mud at low pressure; clean and disinfect as the water safety plan says.
            - See that the drain stays open and free, or close it again if the unit is to run wet.
        """),
        readings=(
            ReadingToTake("Basin temperature", "°C", "basin_temperature"),
            ReadingToTake("Basin level", "mm", "basin_level"),
            ReadingToTake("Water sample taken, by whose order"),
        ),
        findings=(
            "why water stood: drain shut, drain blocked, float leaking, wet mode not ended",
            "state of the water: smell, slime, colour", "ice and damage, with photos",
            "what the keeper of the water safety plan decided",
        ),
        return_to_service=items("""
            - Left drained: supply locked shut, drain open, wet mode locked out at the controller
              by the site's procedure, a tag that says so.
            - Back to wet: fill, treat as the plan says, people away from the air outlet for the
              first minutes of spray; then prove pump current, level and spray.
        """),
        hazards=frozenset({Hazard.DRAINED_WATER, Hazard.WET_PADS, Hazard.SITE_LOAD}),
    ),
    JobPlan(
        slug="telemetry",
        title="Get the readings back: sensors, panel, network, power",
        energies=frozenset({"electrical"}),
        skills=f"Technician with experience of controls and networks. {ELECTRICIAN}",
        work_min=60,
        tools=(
            "voltage tester, proved before and after", "network cable and a laptop or phone",
            "small screwdrivers", "torch", "the site's panel drawing",
        ),
        parts=("power supply of the panel", "fuse of the rating on the drawing", "network cable",
               "sensor of the kind that fell silent"),
        look_first=items("""
            - Before you travel, ring the site: a power cut, work on the network, someone in the
              panel? Do other units of the site report?
            - Nobody sees this plant from afar meanwhile: ask the site to look at it.
            - On site: lamps of panel and network, antenna, cables, water, vermin.
        """),
        steps=items("""
            - Only if it must be opened: isolate and prove dead first, also circuits fed from
              elsewhere. Then check fuse, power supply, terminals, plugs, sensor cables.
            - One sensor silent: compare with its neighbour, change the cable, then the sensor.
            - Close the panel, glands and seals tight.
        """),
        readings=(
            ReadingToTake("Lamps of panel and network, as seen"),
            ReadingToTake("Time of the last reading shown"),
        ),
        findings=(
            "what had failed: power, network, panel, sensor", "since when, by the site's account",
            "what was replaced, with the new device's number if it has one",
        ),
        return_to_service=items("""
            - Power the panel. Its clock must be right and every unit of the site must report.
            - Compare one reading of each kind with an instrument or with what you can see.
            - Tell the site that it is being watched again.
        """),
        hazards=frozenset(),
        place="panel",
    ),
    JobPlan(
        slug="full-clean",
        title="Full clean of the unit",
        energies=frozenset({"electrical", "water"}),
        skills=f"Two people, one a technician for water and refrigeration plant. {NO_LICENCE}",
        work_min=240,
        tools=(
            "hose with a low-pressure head", "screwdriver", "soft and nylon brushes",
            "bucket and scoop", "pick of the holes' size", "fin comb", "torch",
            "marker for the pads' orientation",
        ),
        parts=(
            "pads if they are worn out", "suction screen", "seat washer of the float valve",
            "strainer elements", "seals, clips and end caps",
        ),
        look_first=(
            "How evenly the pads are wet, the colour of the water, noise of fans and pump.",
        ),
        steps=items("""
            - Let the pads dry: wet running should have stopped some hours before. Mark and take out
              the pads.
            - Rinse each pad until light shows along the flutes and the water runs clear. Put aside
              what crumbles or sags.
            - Clean the coil's face, then through the coil, at low pressure and straight on.
            - Clean the drain channel under the pads.
            - Empty the basin with its drain open. Scoop out silt; take out the pump.
            - Clean strainer and suction screen; look into the pump's inlet, turn it by hand.
            - Move the float over its whole travel: free, tight at the top.
            - Open and rinse the bleed line; put its valve back in its marked place.
            - Turn each fan by hand, blades held until then: free, quiet, touching nothing.
            - Clear blocked distribution holes by hand. Flush the header when several are blocked.
            - Pump, screen and strainer back, drain shut. Pads back in their marked orientation.
            - Guards and covers shut, every screw.
        """),
        readings=(PRESSURE, CURRENT, LEVEL, CONDUCTIVITY, HEAD, AIR, of("fan_speed")),
        findings=(
            "what was found at pads, coil, channel, basin, screen, float, bleed, fans, holes",
            "what was replaced", "photos, where the site allows them",
        ),
        return_to_service=items(f"""
            - Water on slowly; basin full before the pump starts.
            - Restore power and reset what tripped.
            - {PUMP_ON} Every distribution hole must flow evenly; keep your face out of the spray.
            - Prove each fan. Refrigeration back by the site's procedure.
            - {WATCH} Close out the cleaning, so that before and after can be compared.
        """),
        hazards=frozenset({
            Hazard.WET_PADS, Hazard.SHARP_EDGES, Hazard.MANUAL_HANDLING, Hazard.CONFINED_SPACE,
            Hazard.CHEMICALS, Hazard.HOT_SURFACES, Hazard.COIL_DAMAGE, Hazard.DRAINED_WATER,
            Hazard.SITE_LOAD,
        }),
    ),
    JobPlan(
        slug="inspection",
        title="Look and report",
        energies=frozenset({"electrical", "water"}),
        skills=f"Technician for water and refrigeration plant. {NO_LICENCE}",
        work_min=30,
        tools=("torch", "camera, where the site allows it", "screwdriver"),
        parts=("none until it is known what is wrong",),
        look_first=(
            "Fans, pump, water over the pads, level, overflow, leaks, noise.",
        ),
        steps=items("""
            - Open covers only with the unit isolated. Look at pads, basin, screen and coil.
            - Mend nothing under this plan. Report what you found and agree the next step.
        """),
        readings=(LEVEL, PRESSURE, CURRENT, HEAD),
        findings=("what was seen at fans, pump, pads, basin, coil", "what should be done next"),
        return_to_service=items(f"""
            - Covers shut, then back to service by the site's procedure.
            - {WATCH}
        """),
        hazards=frozenset({Hazard.SITE_LOAD}),
    ),
)  # fmt: skip

_BY_SLUG: Final = MappingProxyType({plan.slug: plan for plan in JOB_PLANS})

INSPECTION: Final = _BY_SLUG["inspection"]
"""The plan for a fault that the catalogue no longer knows: look, isolate, report."""


def job_plan(slug: str) -> JobPlan:
    """The plan of that slug. Raises KeyError, naming the plans there are, if there is none."""
    try:
        return _BY_SLUG[slug]
    except KeyError:
        msg = f"no job plan '{slug}'; there are: {', '.join(_BY_SLUG)}"
        raise KeyError(msg) from None


def plan_for(fault: Fault, evidence: Evidence) -> JobPlan:
    """The plan that fits best: that of the leading cause if one clearly leads, else the fault's.

    A cause leads clearly if at least 0.6 of its deciding signs agree, and 0.2 more than those of
    the next one that is not ruled out. Both figures are a choice of this project: with less, the
    fault's own plan, which suits all its causes, is the safer thing to bring. Raises KeyError if
    the catalogue names a plan that does not exist.
    """
    standing = sorted(
        (c for c in evidence.causes if not c.ruled_out), key=lambda c: c.agreement, reverse=True
    )
    if standing:
        lead = standing[0]
        next_agreement = standing[1].agreement if len(standing) > 1 else 0.0
        plan = next((c.job_plan for c in fault.causes if c.slug == lead.slug), "")
        # The small allowance keeps 0.7 against 0.5 on the clear side of binary rounding.
        if plan and lead.agreement >= 0.6 and lead.agreement - next_agreement >= 0.2 - 1e-9:
            return job_plan(plan)
    return job_plan(fault.job_plan)


def missing_plans(faults: Iterable[Fault]) -> tuple[str, ...]:
    """One sentence for each job plan that ``faults`` or their causes name and that does not exist.

    A fault needs a plan; a cause may leave the choice to its fault.
    """
    known = ", ".join(_BY_SLUG)
    found = []
    for fault in faults:
        named = [(f"fault '{fault.slug}'", fault.job_plan)]
        named += [
            (f"fault '{fault.slug}', cause '{cause.slug}'", cause.job_plan)
            for cause in fault.causes
            if cause.job_plan
        ]
        found += [
            f"{who}: no job plan '{slug}'; there are: {known}"
            for who, slug in named
            if slug not in _BY_SLUG
        ]
    return tuple(found)
