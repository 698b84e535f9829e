"""Job plans of the air side: fans, coil, pads, and what keeps the heat in.

See :mod:`rules.jobplans` for what all plans have in common.
"""

from __future__ import annotations

from typing import Final

from rules.hazards import Hazard
from rules.job import JobPlan, ReadingToTake
from rules.job_words import (
    AIR,
    ELECTRICIAN,
    HEAD,
    LIVE,
    NO_LICENCE,
    PRESSURE,
    PUMP_ON,
    WATCH,
    items,
    of,
)

__all__ = ["AIR_SIDE_PLANS"]

AIR_SIDE_PLANS: Final[tuple[JobPlan, ...]] = (
    JobPlan(
        slug="fan",
        title="Find out why a fan is faulty or does not prove",
        energies=frozenset({"electrical"}),
        skills=f"{ELECTRICIAN} {NO_LICENCE}",
        work_min=90,
        tools=(
            "voltage tester, proved before and after", "insulation tester", "clamp meter",
            "insulated screwdrivers", "strap or wedge to hold the blades", "torch",
        ),
        parts=(
            "fuses of the rating on the drawing", "fan motor or fan with motor", "drive or relay",
            "fan-proving switch or relay",
        ),
        look_first=items("""
            - Which fan it is, and what its drive or relay shows: fault code, tripped, no supply.
            - Whether its blades stand, turn, or turn backwards in the wind.
        """),
        steps=items("""
            - Isolated, proved dead and the drive's discharge time over: hold the blades, then look
              for ice, rubbish, rubbing, loose hub, cracked blade. Turn the fan by hand: free,
              quiet, touching nothing.
            - Check fuses, terminals, motor protection and plugs for heat, water and corrosion.
            - Measure winding and insulation resistance as the motor's manual says, drive
              disconnected where the manual wants it.
            - Check the run and fault signal: contact, wiring, right fan on the right input. A fan
              that runs but does not prove is a signal fault.
            - Guards and covers back, every screw.
        """),
        readings=(
            of("fan_run"), of("fan_fault"), of("fan_speed"), HEAD,
            ReadingToTake(f"Current of the fan, each phase ({LIVE})", "A"),
        ),
        findings=(
            "which fan, and the code its drive showed", "the cause",
            "motor: winding, insulation, bearings", "blades, hub, guard", "proving signal",
        ),
        return_to_service=items(f"""
            - Everyone clear, guards on. Let the fan run alone: direction, noise, current.
            - Let all fans run at the same command and see that each one proves.
            - {WATCH}
        """),
        hazards=frozenset({Hazard.MANUAL_HANDLING, Hazard.HOT_SURFACES, Hazard.SHARP_EDGES,
                           Hazard.SITE_LOAD}),
    ),
    JobPlan(
        slug="heat-rejection",
        title="Find what keeps the unit from giving off its heat",
        energies=frozenset({"electrical", "water"}),
        skills=(
            "Refrigeration technician. Work on the circuit itself (charge, non-condensables, "
            "valves) only by a person licensed for this refrigerant, and not under this plan."
        ),
        work_min=120,
        tools=(
            "hose with a low-pressure head", "soft brush", "fin comb", "thermometer",
            "screwdriver", "torch",
        ),
        parts=("pads if they are worn out", "clips and seals of panels"),
        look_first=items("""
            - The way of the air: covers, leaves, snow or stored goods in front of the intake; hot
              air blown back from a wall or a neighbour; panels ajar, so that air goes around the
              coil.
            - Which fans turn, and how fast against the command. Whether all pads are wet.
        """),
        steps=items("""
            - Isolated and blades held: look at the coil's face with the torch. Clean dust and
              fibres from the air side down, brush with the fins, rinse at low pressure, coil face
              first and then through the coil.
            - Look at the pads: dry areas, scale, sagging, gaps at the edges. Let them dry, then
              rinse until light shows along the flutes. Replace pads that crumble.
            - If pads were dry, look at screen and distribution as well: that is where the water
              stopped.
            - Straighten bent fins. Panels, guards and pads back with no gap for air to pass by.
            - If air, fans, coil, pads and water are in order, the cause is in the circuit: stop
              here and report it to the licensed person.
        """),
        readings=(
            HEAD, AIR, of("fan_speed"), PRESSURE,
            ReadingToTake("Air temperature at the intake, away from the blown-off air", "°C"),
        ),
        findings=(
            "what stood in the way of the air", "coil: clean, dusty, scaled, fins bent",
            "pads: wet all over, dry where, scaled", "fans that did not turn",
            "whether the circuit is suspected, and why",
        ),
        return_to_service=items(f"""
            - Pump on and fans still off: all pads must wet.
            - Fans on, refrigeration back by the site's procedure. Keep clear of the air that is
              blown off.
            - Compare head pressure with that before, at like weather and load. {WATCH}
        """),
        hazards=frozenset({
            Hazard.SHARP_EDGES, Hazard.WET_PADS, Hazard.HOT_SURFACES, Hazard.COIL_DAMAGE,
            Hazard.DRAINED_WATER, Hazard.SITE_LOAD,
        }),
    ),
    JobPlan(
        slug="coil",
        title="Clean the coil",
        energies=frozenset({"electrical", "water"}),
        skills=f"Technician for water and refrigeration plant. {NO_LICENCE}",
        work_min=150,
        tools=(
            "hose with a low-pressure head", "soft brush", "fin comb", "thermometer",
            "screwdriver", "bucket", "torch", "marker for the pads' orientation",
        ),
        parts=("clips and seals of panels", "pads if they are worn out"),
        look_first=items("""
            - The way of the air: covers, leaves, snow or stored goods in front of the intake; hot
              air blown back from a wall or a neighbour; panels ajar.
            - Light through the coil, where it can be seen from outside.
        """),
        steps=items("""
            - Let the pads dry, mark them and take them out of the way of the dirt to come.
            - Note where the coil is dirty: all over, in stripes, behind one fan. Take a photo if
              the site allows it.
            - Brush dust and fibres off the face along the fins, never across them.
            - Rinse at low pressure and straight on, the face first and then through the coil,
              until the water runs clear. No acid or caustic unless the coil's maker allows it.
            - Comb bent fins. Rinse the drain channel and scoop out of the basin what came down.
            - Pads back in their marked orientation, panels and guards back with no gap.
        """),
        readings=(
            HEAD, AIR, of("fan_speed"), of("heat_load"),
            ReadingToTake("Air temperature at the intake, away from the blown-off air", "°C"),
        ),
        findings=(
            "what stood in the way of the air", "coil: clean, dusty, scaled, fins bent, where",
            "what came out of it", "whether the circuit is suspected, and why",
        ),
        return_to_service=items(f"""
            - Fans on, refrigeration back by the site's procedure. Keep clear of the air that is
              blown off.
            - Compare the condensing temperature above the air with that before, at like load. If
              it did not fall, report it: the cause may be in the circuit.
            - {WATCH}
        """),
        hazards=frozenset({
            Hazard.SHARP_EDGES, Hazard.WET_PADS, Hazard.HOT_SURFACES, Hazard.COIL_DAMAGE,
            Hazard.DRAINED_WATER, Hazard.SITE_LOAD,
        }),
    ),
    JobPlan(
        slug="pads",
        title="Clean the pads and see that they wet",
        energies=frozenset({"electrical", "water"}),
        skills=f"Technician for water and refrigeration plant. {NO_LICENCE}",
        work_min=150,
        tools=(
            "hose with a low-pressure head", "soft brush", "screwdriver", "bucket",
            "wooden or plastic pick of the hole's size", "torch",
            "marker for the pads' orientation",
        ),
        parts=("pads of the unit's kind", "clips and seals of the pad frames"),
        look_first=items("""
            - Whether all pads are in place and wet all over, or dry in stripes; whether water runs
              past them into the basin.
        """),
        steps=items("""
            - Wet running should have stopped some hours before: wet pads are heavy. Mark each pad's
              place and orientation, then take them out.
            - Hold each against the light. Rinse it until light shows along the flutes and the water
              runs clear. Replace what stays blocked, is glazed, crumbles or sags.
            - Clear blocked distribution holes by hand; flush the header when several are blocked.
            - Clean the pump's screen and the drain channel if dirt came from the basin.
            - Much scale: look at the bleed as well, or it comes back.
            - Pads back in their marked orientation, close to each other and to the frame, so that
              neither air nor water passes by.
        """),
        readings=(
            of("pad_pressure_drop"), HEAD, AIR, of("relative_humidity"), PRESSURE,
            of("fan_speed"),
        ),
        findings=(
            "pads: scaled, dirty, glazed, missing, wrong way round", "dry stripes: where",
            "number and place of blocked holes", "gaps at frames and edges",
        ),
        return_to_service=items(f"""
            - {PUMP_ON}
            - With the fans still off, see that every pad wets over its full width. Keep your face
              out of the spray.
            - Fans on: pressure drop and head pressure must come back near the clean values of this
              unit, at like weather and load.
            - {WATCH}
        """),
        hazards=frozenset({
            Hazard.WET_PADS, Hazard.SHARP_EDGES, Hazard.COIL_DAMAGE, Hazard.DRAINED_WATER,
            Hazard.SITE_LOAD,
        }),
    ),
)  # fmt: skip
