"""Basin, float valve and bleed: what looks at the water every three hours say of them.

The float valve by what it lets through at rest when it should be shut; the bleed by how far it lets
the water concentrate; the basin by the volume that is left for the water, which shows in how fast
it concentrates while nothing is bled. There is no clean baseline of these: 100 % is as intended.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from rules.arrays import F64, I64
from rules.balance import METER_ZERO_L_MIN, Windows, water_balance
from rules.bin_rings import median_last_axis, trace_window
from rules.bin_times import BINS_AN_HOUR
from rules.condition.figures import Judged
from rules.condition.windows import standing
from rules.events import Reading
from rules.float_flow import STUCK_FROM_FRAC
from rules.plan import FleetPlan
from rules.signals import INDEX
from rules.state import WATER_LOOKS, FleetState

__all__ = ["basin", "bleed", "float_valve", "look_at_water"]

LOOK_HOURS: Final = 24 // WATER_LOOKS
LOOK_AT: Final = 7
LEVEL_BINS: Final = 24
LEAST_REST_BINS: Final = 18
LEAST_WATER_MEANS: Final = 3
RAIN_ABOVE_PCT: Final = 92.0
"""In air near saturation a rising level may be rain; as for the fault of a leaking float."""
FLOAT, CONCENTRATION, VOLUME = 0, 1, 2
CREEP_SD_MM_H: Final = 1.0
METER_SD_FRAC: Final = 0.05
PROBE_SD_FRAC: Final = 0.03
"""A compensated conductivity probe in use (common practice)."""
VOLUME_SD_FRAC: Final = 0.25
"""Evaporation from the weather to a fifth and the make-up's solids to a seventh (judgement)."""
LOST_VOLUME_FRAC: Final = 0.5
"""A basin that holds half its water is full of silt (judgement)."""
THIN_FRAC: Final = 0.6
"""Below so much of the intended concentration the bleed wastes, or the water is fresh."""


def look_at_water(plan: FleetPlan, state: FleetState, rows: I64, bin_id: I64) -> None:
    """Take a look at the water of those units whose turn it is, eight times a day each.

    ``rows`` (k,) have just closed the bins ``bin_id``; traces hold these already.
    """
    # In one bin an hour only: a look costs one unit as much as some dozens.
    at = np.flatnonzero(bin_id % BINS_AN_HOUR == LOOK_AT)
    if not len(at):
        return
    turn = plan.day_phase_bins[rows[at]] // BINS_AN_HOUR
    due = at[(bin_id[at] // BINS_AN_HOUR + turn) % LOOK_HOURS == 0]
    if not len(due):
        return
    row, now = rows[due], bin_id[due]
    slot = (now // (LOOK_HOURS * BINS_AN_HOUR)) % WATER_LOOKS
    state.water_looks[row, FLOAT, slot] = _leak_frac(plan, state, row)
    state.water_looks[row, CONCENTRATION, slot] = _concentration(plan, state, row)
    state.water_looks[row, VOLUME, slot] = _volume_frac(plan, state, row)


def _leak_frac(plan: FleetPlan, state: FleetState, rows: I64) -> F64:
    """Flow through a float valve at rest, when it should be shut, over its full flow."""
    rest = trace_window(state, rows, "level_at_rest", LEVEL_BINS)
    meter = trace_window(state, rows, "makeup_flow", LEVEL_BINS)
    shut = rest >= plan.float_shut_mm[rows, None]
    most = plan.makeup_max_l_min[rows]
    metered = median_last_axis(np.where(shut, meter, np.nan))
    # The last means only: what comes back from the pads is over by then.
    half = LEVEL_BINS // 2
    still = shut & ~np.isnan(rest) & (rest < plan.overflow_mm[rows, None] - 3.0)
    old = median_last_axis(np.where(still, rest, np.nan)[:, half - 6 : half])
    new = median_last_axis(np.where(still, rest, np.nan)[:, -6:])
    rise = (new - old) / (half / BINS_AN_HOUR)
    rise = np.where(still.sum(axis=1) >= LEAST_REST_BINS, rise, np.nan)
    humid = state.value[rows, INDEX["relative_humidity"]] >= RAIN_ABOVE_PCT
    rise = np.where(humid, np.nan, rise)
    crept = np.maximum(rise, 0.0) * plan.area_m2[rows] / 60.0
    leak = np.where(np.isnan(metered), crept, metered)
    out: F64 = leak / most
    return out


def _concentration(plan: FleetPlan, state: FleetState, rows: I64) -> F64:
    """Conductivity of the running water over the unit's limit."""
    window = trace_window(state, rows, "conductivity", BINS_AN_HOUR)
    running = trace_window(state, rows, "current_running", BINS_AN_HOUR)
    seen = np.where(np.isnan(running), np.nan, window)
    ratio: F64 = median_last_axis(seen) / plan.conductivity_limit_us_cm[rows]
    return ratio


def _volume_frac(plan: FleetPlan, state: FleetState, rows: I64) -> F64:
    """Volume by the climb with the bleed shut, over that of the site file; where that is seen."""
    out = np.full(len(rows), np.nan)
    bleed = trace_window(state, rows, "bleed_flow", LEVEL_BINS)
    closed = ~np.isnan(bleed).all(axis=1) & ~(bleed > METER_ZERO_L_MIN).any(axis=1)
    at = np.flatnonzero(closed & (state.pump_state[rows] == 1))
    if not len(at):
        return out
    names = ("level_running", "conductivity", "evaporation", "makeup_flow", "bleed_flow")
    windows = Windows(*(trace_window(state, rows[at], n, LEVEL_BINS) for n in names))
    w = water_balance(plan, rows[at], windows)
    fair = w.running & (w.climb_frac_sd < 0.15) & (w.climb_frac > 0.3)
    with np.errstate(divide="ignore", invalid="ignore"):
        out[at] = np.where(fair, 1.0 / w.climb_frac, np.nan)
    return out


def _looks(state: FleetState, rows: I64, which: int) -> tuple[F64, I64, F64]:
    looks = state.water_looks[rows, which].astype(np.float64)
    n = (~np.isnan(looks)).sum(axis=1)
    middle = median_last_axis(looks)
    spread = 1.4826 * median_last_axis(np.abs(looks - middle[:, None]))
    return middle, n, np.where(n >= 3, spread, 0.0) / np.sqrt(np.maximum(n, 1))


def float_valve(plan: FleetPlan, state: FleetState, rows: I64) -> Judged:
    """The float valve: 0 % where it passes as much as one that is stuck open."""
    leak, n, se = _looks(state, rows, FLOAT)
    has_meter = state.value_ms[rows, INDEX["makeup_flow"]] > 0
    most = plan.makeup_max_l_min[rows]
    by_level = CREEP_SD_MM_H * plan.area_m2[rows] / 60.0 / most
    fixed = np.where(has_meter, np.fmax(METER_ZERO_L_MIN / most, METER_SD_FRAC * leak), by_level)
    reason = np.where(n >= 1, 0, 1)
    # A level that no longer moves, and a valve that is stuck shut, look like one that shuts well.
    sticks = standing(state, rows, ("level-frozen", "float-stuck-shut"))
    # One that is stuck open passes much; where little was seen to pass, it was not looked at.
    sticks |= standing(state, rows, ("float-stuck-open",)) & ~(leak >= STUCK_FROM_FRAC)
    reason = np.where(sticks, 2, reason)
    raw = np.where(reason == 0, 100.0 * (1.0 - leak / STUCK_FROM_FRAC), np.nan)
    sd = np.where(reason == 0, 100.0 * np.hypot(se, fixed) / STUCK_FROM_FRAC, np.nan)

    def explain(i: int) -> tuple[str, tuple[Reading, ...]]:
        found = (
            f"At rest, when it should be shut, it passes {100.0 * float(leak[i]):.1f} % of its "
            f"full flow; it is due at {100.0 * STUCK_FROM_FRAC:.0f} %."
        )
        flow = Reading("Flow through the shut valve", float(leak[i] * most[i]), "L/min", 0.0,
                       derived=not has_meter[i])  # fmt: skip
        return found, (flow,)

    names = ("", "make-up meter", "level at rest")
    reasons = (
        "",
        "The level did not stand above the float at rest for two hours of the day.",
        "The valve or the reading of the level sticks, or the alarm that tells it is shelved, "
        "suppressed or out of service: what passes at rest says nothing then.",
    )
    return _plain(raw, sd, n, np.where(has_meter, 1, 2), names, reason, reasons, explain)


def bleed(plan: FleetPlan, state: FleetState, rows: I64) -> Judged:
    """The bleed: 100 % where the water is as concentrated as intended, 0 % at the unit's limit."""
    ratio, n, se = _looks(state, rows, CONCENTRATION)
    limit = plan.conductivity_limit_us_cm[rows]
    intended = plan.target_cycles[rows] * plan.makeup_us_cm[rows] / limit
    due = plan.settings.get("bleed-blocked", "due_ratio", rows) * intended
    due = np.minimum(due, 0.8)
    reason = np.where(n >= LEAST_WATER_MEANS, 0, 1)
    reason = np.where((reason == 0) & (ratio < THIN_FRAC * intended), 2, reason)
    spoilt = standing(state, rows, ("conductivity-probe", "makeup-quality-changed",
                                    "float-stuck-open"))  # fmt: skip
    reason = np.where(spoilt, 3, reason)
    raw = np.where(reason == 0, 100.0 * (1.0 - (ratio - due) / (1.0 - due)), np.nan)
    sd = 100.0 * np.hypot(se, PROBE_SD_FRAC * ratio) / (1.0 - due)
    sd = np.where(reason == 0, sd, np.nan)

    def explain(i: int) -> tuple[str, tuple[Reading, ...]]:
        value, high = float(ratio[i] * limit[i]), float(limit[i])
        found = (
            f"It keeps the water at {value:.0f} µS/cm; the limit is {high:.0f} µS/cm. Harder "
            "make-up would look the same."
        )
        reading = Reading("Conductivity, referred to 25 °C", value, "µS/cm",
                          float(intended[i]) * high, high=high)  # fmt: skip
        return found, (reading,)

    reasons = (
        "",
        "Conductivity of running water was seen for less than nine hours of the day.",
        "The water is thinner than intended: whether the bleed works shows only when it is due.",
        "Another fault of the water stands, or its alarm is shelved, suppressed or out of service: "
        "it would be taken for the bleed's.",
    )
    return _plain(raw, sd, n, np.ones(len(rows), np.int64), ("", "conductivity"), reason, reasons,
                  explain)  # fmt: skip


def basin(state: FleetState, rows: I64) -> Judged:
    """The basin: 0 % where silt has taken half of the water's volume."""
    volume, n, se = _looks(state, rows, VOLUME)
    spoilt = standing(state, rows, ("conductivity-probe", "makeup-quality-changed",
                                    "float-stuck-open", "bleed-stuck-open"))  # fmt: skip
    reason = np.where(spoilt, 2, np.where(n >= 2, 0, 1))
    lost = 1.0 - volume
    raw = np.where(reason == 0, 100.0 * (1.0 - lost / LOST_VOLUME_FRAC), np.nan)
    sd = 100.0 * np.hypot(se, VOLUME_SD_FRAC * volume) / LOST_VOLUME_FRAC
    sd = np.where(reason == 0, sd, np.nan)

    def explain(i: int) -> tuple[str, tuple[Reading, ...]]:
        share = 100.0 * float(volume[i])
        found = (
            f"By the climb of the conductivity with the bleed shut it holds {share:.0f} % of its "
            "volume; it is due at half of it. Look at the floor at each visit all the same."
        )
        return found, (Reading("Water volume against the site file", share, "%", 100.0,
                               derived=True),)  # fmt: skip

    reasons = (
        "",
        "No reading of the day shows silt on its floor: that needs weather, conductivity and a "
        "bleed meter, and hours in which nothing is bled. Look at it at each visit.",
        "Another fault of the water stands, or its alarm is shelved, suppressed or out of service: "
        "it would be taken for silt.",
    )
    return _plain(raw, sd, n, np.ones(len(rows), np.int64), ("", "climb of the conductivity"),
                  reason, reasons, explain)  # fmt: skip


def _plain(
    raw: F64,
    sd: F64,
    n: I64,
    basis: I64,
    names: tuple[str, ...],
    reason: I64,
    reasons: tuple[str, ...],
    explain: Callable[[int], tuple[str, tuple[Reading, ...]]],
) -> Judged:
    none = np.zeros(len(raw), dtype=np.int64)
    return Judged(raw, sd, n, none, basis, names, reason, reasons, explain)
