"""What a float valve lets through when it should be shut: nothing, a little, or most.

A valve that is stuck open and one that leaks by both end with a basin at its overflow. They differ
in the flow: the make-up meter says it at once; without one the rise of the level does, as long as
the basin is between the float and the overflow. At the overflow only the water's salt still tells.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Final

import numpy as np

from rules.alarms import fault_is_there
from rules.arrays import F64, I8, I64, Bool
from rules.balance import METER_ZERO_FRAC, METER_ZERO_L_MIN
from rules.bin_rings import median_last_axis
from rules.plan import FleetPlan
from rules.signals import INDEX
from rules.state import BIN_MS, TRACE_BINS

if TYPE_CHECKING:
    from rules.bins import BinView
    from rules.look import UnitLook

__all__ = [
    "LEAST_RISE_MM",
    "STUCK_FROM_FRAC",
    "FloatFlow",
    "Passes",
    "fills_again",
    "float_flow_of",
    "float_flow_of_look",
    "keeps_its_salt",
]

STUCK_FROM_FRAC: Final = 0.25
"""Share of the full flow from which a valve that should be shut counts as open. A worn seat, grit
or a waterlogged float pass a few per cent to a fifth; a stuck arm passes more (judgement)."""
NEAR_LIP_MM: Final = 3.0
"""Below the lip, where waves already run over and the level no longer tells the inflow."""
FLAT_MM: Final = 1.0
"""Least rise from one mean to the next that counts as one."""
LEAST_RISE_MM: Final = 5.0
"""Least rise in all by which a small flow is judged (waves and resolution are below)."""
SEEN_BINS: Final = 6
"""Newest means whose median stands for the meter: half an hour."""


class Passes(IntEnum):
    """What the valve lets through although the level says that it should be shut."""

    UNKNOWN = -1
    NOTHING = 0
    LITTLE = 1
    MUCH = 2


@dataclass(frozen=True)
class FloatFlow:
    """Arrays (m,): the judgement, and the flow as a share of the valve's full flow or NaN.

    ``metered`` says which rest on the make-up meter.
    """

    passes: I8
    flow_frac: F64
    metered: Bool


def float_flow(
    plan: FleetPlan,
    rows: I64,
    running: F64,
    at_rest: F64,
    makeup: F64,
    evaporation: F64,
) -> FloatFlow:
    """The flow through float valves that should be shut.

    Parameters
    ----------
    plan : FleetPlan
        Nameplates.
    rows : (m,) array
        The units.
    running, at_rest : (m, bins) arrays
        Level with the pump running and at rest, five-minute means, oldest first. [mm]
    makeup, evaporation : (m, bins) arrays
        Make-up by the meter, and evaporation from the weather. [L/min]

    Returns
    -------
    FloatFlow
    """
    shut, lip = plan.float_shut_mm[rows, None], plan.overflow_mm[rows, None]
    most, area = plan.makeup_max_l_min[rows], plan.area_m2[rows]
    level = np.where(np.isnan(running), at_rest, running)
    above = level >= shut

    through = np.where(above, makeup, np.nan)[:, -SEEN_BINS:]
    metered: Bool = np.asarray(~np.isnan(through).all(axis=1), dtype=np.bool_)
    there = ~np.isnan(through)
    n = np.maximum(there.sum(axis=1), 1)
    by_meter = np.where(there, through, 0.0).sum(axis=1) / n

    # Rises from one mean to the next in the same state, while float shut and overflow dry.
    rest_rise, run_rise = np.diff(at_rest, axis=1), np.diff(running, axis=1)
    rise = np.where(np.isnan(rest_rise), run_rise, rest_rise)
    before, after = level[:, :-1], level[:, 1:]
    counts = (before >= shut) & (before < lip - NEAR_LIP_MM) & ~np.isnan(rise)
    per_bin = area * (60_000.0 / BIN_MS)  # mm a bin to L/min
    inflow = np.where(counts, rise, -np.inf) * per_bin[:, None]
    wet = np.isnan(rest_rise)
    lost = np.where(wet, evaporation[:, 1:], 0.0)
    inflow = inflow + np.where(np.isnan(lost), 0.0, lost)
    greatest = inflow.max(axis=1)
    # A mean in which the water reached the lip hides how fast it came. While the pump runs,
    # unknown evaporation does.
    honest = counts & (after < lip - NEAR_LIP_MM) & (rise >= FLAT_MM)
    honest &= ~np.isnan(np.where(wet, evaporation[:, 1:], 0.0))
    rises = honest.sum(axis=1)
    total = np.where(honest, rise, 0.0).sum(axis=1)
    rate = np.where(honest, inflow, 0.0).sum(axis=1) / np.maximum(rises, 1)

    slow = (rises >= 1) & (total >= LEAST_RISE_MM)
    since_stop = _since_stop_l_min(plan, rows, running, at_rest)
    came = ~np.isnan(since_stop) & (since_stop < STUCK_FROM_FRAC * most)
    rate = np.where(~slow & came, since_stop, rate)
    slow |= came
    # Running steadily above the float, the valve passes what evaporates and is bled, twice the
    # intended at most.
    steady = above & ~np.isnan(running) & (level < lip - NEAR_LIP_MM)
    surplus = 1.0 + 2.0 / (plan.target_cycles[rows, None] - 1.0)
    demand = np.where(steady, evaporation * surplus, np.nan)[:, -SEEN_BINS:]
    known = ~np.isnan(demand)
    demand_l_min = np.where(known, demand, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    modest = (known.sum(axis=1) >= SEEN_BINS // 2) & (demand_l_min < STUCK_FROM_FRAC * most)
    creeping = slow.copy()
    slow |= modest
    rate = np.where(modest & (rises == 0), demand_l_min, rate)
    flow = np.where(metered, by_meter, np.where(slow, rate, np.maximum(greatest, 0.0)))
    least = np.maximum(METER_ZERO_FRAC * most, METER_ZERO_L_MIN)
    much = STUCK_FROM_FRAC * most
    by_level = np.where(greatest >= much, Passes.MUCH, np.where(slow, Passes.LITTLE, -1))
    # A meter that hardly starts at such a flow does not contradict the level.
    little = (by_meter >= least) | (creeping & (by_meter >= METER_ZERO_L_MIN))
    told = np.where(by_meter >= much, Passes.MUCH, np.where(little, Passes.LITTLE, Passes.NOTHING))
    passes = np.where(metered, told, by_level)
    flow_frac = np.where(passes >= 0, flow / most, np.nan)
    return FloatFlow(passes.astype(np.int8), flow_frac, metered)


def _since_stop_l_min(plan: FleetPlan, rows: I64, running: F64, at_rest: F64) -> F64:
    """Flow between the last mean of a run and the first at rest, as much as it may have been.

    The water that came back from the pads is taken off, but only half of it, since the site file's
    figure is rough. NaN where no stop is seen, or the level has reached the lip by then.
    """
    bins = np.broadcast_to(np.arange(running.shape[1]), running.shape)
    last_run = np.maximum.accumulate(np.where(np.isnan(running), -1, bins), axis=1)
    first_rest = ~np.isnan(at_rest)
    first_rest[:, 1:] &= np.isnan(at_rest[:, :-1])
    gap = bins - last_run
    ran = np.take_along_axis(running, np.maximum(last_run, 0), axis=1)
    back = plan.pull_down_mm[rows, None]
    rise = at_rest - (ran + 0.5 * back)
    over = at_rest - (plan.float_shut_mm[rows, None] + back)
    # A stop within a bin leaves means of both states in it, which tell no rise between them.
    counts = first_rest & (last_run >= 0) & (gap > 0) & (gap <= STOP_BINS) & (back > 0)
    counts &= (over >= FLAT_MM) & (at_rest < plan.overflow_mm[rows, None] - NEAR_LIP_MM)
    flow = rise * plan.area_m2[rows, None] * (60_000.0 / BIN_MS) / np.maximum(gap, 1)
    flow = np.where(counts, flow, -np.inf).max(axis=1)
    return np.where(np.isfinite(flow), flow, np.nan)


STOP_BINS: Final = 4
"""Bins between the last of a run and the first at rest: the level needs ten minutes to settle."""


def float_flow_of(view: BinView) -> FloatFlow:
    """The flow of all units of a view."""
    names = ("level_running", "level_at_rest", "makeup_flow", "evaporation")
    return float_flow(view.plan, view.rows, *(view.trace(n, TRACE_BINS) for n in names))


def float_flow_of_look(look: UnitLook) -> FloatFlow:
    """The flow of one unit; arrays of length one."""
    names = ("level_running", "level_at_rest", "makeup_flow", "evaporation")
    windows = (look.trace(n, TRACE_BINS)[None, :] for n in names)
    return float_flow(look.plan, np.array([look.row]), *windows)


def fills_again(view: BinView) -> Bool:
    """Whether the last three hours show that the valve passes what it should.

    The basin filled as under an open valve, or held its level, in the band, through half of them in
    running.
    """
    plan, rows = view.plan, view.rows
    running = view.trace("level_running", TRACE_BINS)
    at_rest = view.trace("level_at_rest", TRACE_BINS)
    band = plan.float_band_mm[rows]
    a_bin_mm = plan.makeup_max_l_min[rows] / plan.area_m2[rows] * (BIN_MS / 60_000.0)
    swift = np.minimum(SWIFT_FRAC * SWIFT_BINS * a_bin_mm, 0.75 * band)[:, None]
    filled = np.zeros(len(rows), dtype=np.bool_)
    for level in (running, at_rest):
        filled |= (level[:, SWIFT_BINS:] - level[:, :-SWIFT_BINS] >= swift).any(axis=1)
    half = TRACE_BINS // 2
    low = running < (plan.float_shut_mm[rows] - band)[:, None]
    held = ((~np.isnan(running)).sum(axis=1) >= half) & ~low.any(axis=1)
    parts = median_last_axis(running.reshape(len(rows), -1, SEEN_BINS))
    most = np.where(np.isnan(parts), -np.inf, parts).max(axis=1)
    least = np.where(np.isnan(parts), np.inf, parts).min(axis=1)
    out: Bool = filled | (held & (most - least <= HELD_MM))
    return out


SWIFT_BINS: Final = 3
SWIFT_FRAC: Final = 0.4
"""Share of what the open valve lifts in a quarter of an hour that shows it open (judgement)."""
HELD_MM: Final = 5.0
"""By so little the half-hours of a level differ that a float has in hand, in like weather."""


LEAST_PASSES_FRAC: Final = 0.05
"""Share of its full flow that a stuck valve passes at the least: with less it leaks (judgement)."""
LEAST_CYCLES: Final = 1.5
"""Water that is hardly more concentrated than the make-up may be is not thinned by it:
supplies differ by half from the site file at times (judgement)."""
LEAST_FALL_FRAC: Final = 0.04
"""Fall of the conductivity to expect, by which its holding is told from noise (judgement)."""
HOLDS_FRAC: Final = 0.25
"""Share of that fall up to which it holds: so a hundredth of the full flow still shows
(judgement)."""
ENDS_MEANS: Final = 3
"""First and newest means at rest whose medians are compared."""
SOON_BINS: Final = 12
"""An hour at rest: by then most basins would have thinned enough to tell (judgement)."""
_CONDUCTIVITY: Final = INDEX["conductivity"]
_SPOIL_SALT: Final = ("conductivity-probe", "reading-frozen", "makeup-quality-changed")


def keeps_its_salt(view: BinView) -> tuple[Bool, Bool]:
    """Basins at rest whose water does not thin, and those that are too short at rest to tell, (k,).

    Water that runs to waste is replaced by make-up. Where the conductivity holds all the same, the
    float is set high, or the transmitter reads high. A probe in a pocket that stands still shows
    the same: the next run tells.
    """
    plan, state, rows = view.plan, view.state, view.rows
    names = ("level_running", "current_running", "level_at_rest", "conductivity")
    running, current, level, us_cm = (view.trace(n, TRACE_BINS) for n in names)
    age = np.arange(TRACE_BINS - 1, -1, -1, dtype=np.float64)[None, :]
    ran = ~np.isnan(running) | ~np.isnan(current)
    stopped = np.where(ran, age, np.inf).min(axis=1)[:, None]
    rests = ~np.isnan(level) & (age < stopped)
    there = rests & ~np.isnan(us_cm)
    n = there.sum(axis=1)
    # The newest that is there counts one.
    place = np.cumsum(there[:, ::-1], axis=1)[:, ::-1]
    last, first = there & (place <= ENDS_MEANS), there & (place > (n - ENDS_MEANS)[:, None])
    then, now = (median_last_axis(np.where(part, us_cm, np.nan)) for part in (first, last))
    apart = (
        median_last_axis(np.where(part, np.broadcast_to(age, part.shape), np.nan))
        for part in (first, last)
    )
    minutes = np.subtract(*apart) * (BIN_MS / 60_000.0)
    c_m = np.fmax(plan.makeup_us_cm[rows], state.fill_usual_us_cm[rows].astype(np.float64))
    through_l = LEAST_PASSES_FRAC * plan.makeup_max_l_min[rows] * minutes
    volume_l = plan.area_m2[rows] * median_last_axis(np.where(rests, level, np.nan))
    with np.errstate(divide="ignore", invalid="ignore"):
        fall = -np.expm1(-through_l / volume_l) * (then - c_m)
    concentrated = then >= LEAST_CYCLES * c_m
    tells = concentrated & (fall >= LEAST_FALL_FRAC * then)
    # A probe that is out of order, or was never there, says nothing; nor does other make-up.
    speaks = state.value_ms[rows, _CONDUCTIVITY] > 0
    for slug in _SPOIL_SALT:
        speaks &= ~fault_is_there(state, rows, slug)
    holds: Bool = speaks & tells & (then - now < HOLDS_FRAC * fall)
    soon: Bool = speaks & ~tells & (concentrated | (n == 0)) & (rests.sum(axis=1) < SOON_BINS)
    return holds, soon
