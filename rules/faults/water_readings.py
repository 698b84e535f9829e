"""The lines of evidence that the faults of the water share, from the balance of one unit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from rules.arrays import F64, Bool
from rules.balance import MakeupSource, WaterBalance
from rules.events import Reading
from rules.look import UnitLook

if TYPE_CHECKING:
    from rules.bins import BinView

__all__ = ["NO_BALANCE", "balance_readings", "first_passage_s", "level_follows", "seen_number"]

NO_BALANCE: Final = (
    "No balance could be drawn up: it needs some hours of running with conductivity and either "
    "ambient temperature with relative humidity and fan state, or a make-up meter."
)

_SOURCE: Final = {
    MakeupSource.METER: "by its meter",
    MakeupSource.BALANCE: "from level, evaporation and bleed",
    MakeupSource.FLOAT: "from the float's position, good to a fifth of the valve's full flow",
}


LEAST_PULL_DOWN_MM: Final = 8.0
"""A smaller return of water from pads and pipes may not show on a coarse transmitter."""


def level_follows(view: BinView) -> Bool:
    """Units whose level reading moved when the pump last started or stopped, as far as it had to.

    One that did not may be frozen. Until that is certain nothing is concluded from it, (m,).
    """
    stood: Bool = view.state.still_starts[view.rows] > 0
    follows: Bool = ~stood | (view.plan.pull_down_mm[view.rows] < LEAST_PULL_DOWN_MM)
    return follows


def seen_number(values: F64) -> float | None:
    """The one number of a one-unit balance, None where not known."""
    value = float(values[0])
    return None if np.isnan(value) else value


def first_passage_s(value: float, limit: float, slope_h: float) -> float:
    """Time until a straight line through ``value`` reaches ``limit``. [s]"""
    return max(0.0, (limit - value) / slope_h * 3600.0)


def balance_readings(look: UnitLook, w: WaterBalance) -> list[Reading]:
    """Conductivity, cycles, climb, evaporation, make-up and bleed, each where it is known."""
    water = look.unit.water
    value = look.recent("conductivity")
    cycles = None if value is None else value / water.makeup_conductivity_us_cm
    out = [
        Reading("Conductivity, referred to 25 °C", value, "µS/cm",
                high=water.conductivity_limit_us_cm, note="limit of this unit"),
        Reading("Cycles of concentration", cycles, "", water.target_cycles, derived=True,
                note="if the make-up is as in the site file"),
    ]  # fmt: skip
    slope, no_bleed = seen_number(w.slope_us_cm_h), seen_number(w.no_bleed_slope_us_cm_h)
    if slope is not None:
        out.append(Reading("Climb over the last hours", slope, "µS/cm/h", derived=True,
                           high=no_bleed,
                           note="against the climb with no bleed" if no_bleed else ""))  # fmt: skip
    evaporation = seen_number(w.evaporation_l_min)
    if evaporation is not None:
        out.append(Reading("Evaporation at the pads, from the weather", evaporation, "L/min",
                           derived=True))  # fmt: skip
    makeup = seen_number(w.makeup_l_min)
    if makeup is not None:
        source = MakeupSource(int(w.makeup_from[0]))
        out.append(Reading("Make-up", makeup, "L/min", derived=source is not MakeupSource.METER,
                           note=_SOURCE.get(source, "")))  # fmt: skip
    bleed, sd = seen_number(w.bleed_l_min), seen_number(w.bleed_sd)
    wanted = seen_number(w.bleed_wanted_l_min)
    if bleed is not None and sd is not None:
        low, high = max(bleed - 2.0 * sd, 0.0), max(bleed + 2.0 * sd, 0.0)
        out.append(Reading("Water leaving as liquid, from the solids balance", max(bleed, 0.0),
                           "L/min", wanted, derived=True,
                           note=f"{low:.2f} to {high:.2f}; intended cycles want "
                           + ("?" if wanted is None else f"{wanted:.2f}")))  # fmt: skip
    metered = seen_number(w.bleed_metered_l_min)
    if metered is not None:
        out.append(Reading("Bleed, by its meter", metered, "L/min", wanted,
                           note="mean over the last two hours"))  # fmt: skip
    return out
