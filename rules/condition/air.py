"""Coil and pads: what the day's heat rejection says of each, at equal load, weather and airflow.

The temperature differences are those of :mod:`rules.heat`: referred to rated load and full airflow,
dry and wet apart. Dry running witnesses the coil; the pressure drop over the pads, or what wetting
them brings, the pads.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64
from rules.condition.figures import Judged
from rules.condition.windows import Compared, compared, standing
from rules.events import Reading
from rules.heat import UNKNOWN_STRIDE_H, rated_ntu
from rules.heat_compared import HeatRejection
from rules.physics.condenser import ua_loss_frac
from rules.plan import FleetPlan
from rules.state import FleetState
from rules.wet_course import TD_ERROR_FRAC

__all__ = ["coil", "pads"]

LEAST_MEANS: Final = 3
"""Of the day in the mode: three hours, or nine where no load is sent (:mod:`rules.heat`)."""
USUAL_AIRFLOW_FRAC: Final = 0.7
"""Airflow at which a rise of the TD is read as a loss of UA, as for the fault of the coil."""
DAY_SD: Final = TD_ERROR_FRAC
"""What the laws of airflow and load leave in a day's median, since another weather moves all of it
one way."""
NO_LOAD_DAY_SD: Final = 0.08
"""Where no load is sent: from day to day it differs by so much beyond the weather (judgement)."""
DROP_DAY_SD: Final = 0.04
"""Wind on the intake and the square law of airflow, in a day's median (judgement)."""
COIL_SPOILT_BY: Final = ("fan-fault", "fan-not-proven", "fan-capacity-lost")
PADS_SPOILT_BY: Final = ("fan-fault", "fan-not-proven", "pump-not-running", "float-stuck-shut")

_COIL_NAMES: Final = ("", "dry running", "wet running alone")
DRY, WET = 1, 2
_COIL_REASONS: Final = (
    "",
    "It rejected heat for less than three hours of the day in either mode.",
    "Its clean state has not been learned yet.",
    "Fans are missing, or the alarm that tells it is shelved, suppressed or out of service: the "
    "readings would show missing fans as a dirty coil.",
    "It rejected heat for less than nine hours of the day in either mode; so many are wanted where "
    "no load is sent.",
    "It ran dry for less than three hours of the day. Wet running, which the pads have a part in, "
    "is not asked of a coil that ran dry within ten days.",
    "It ran dry for less than nine hours of the day; so many are wanted where no load is sent. Wet "
    "running, which the pads have a part in, is not asked of a coil that ran dry within ten days.",
)
_PAD_NAMES: Final = ("", "pressure drop over the pads", "dry and wet running together",
                     "steps from dry to wet")  # fmt: skip
DROP, MODES, STEPS = 1, 2, 3
_PAD_REASONS: Final = (
    "",
    "It ran wet for less than three hours of the day.",
    "Wet running alone cannot tell the pads from the coil; it needs dry running of late, or a "
    "pressure drop over the pads.",
    "Fans or water are missing, or the alarm that tells it is shelved, suppressed or out of "
    "service: the readings would show that as dirty pads.",
    "Its clean state has not been learned yet.",
    "It ran wet for less than nine hours of the day; so many are wanted where no load is sent.",
)
SHORT, UNLEARNED, SPOILT, SHORT_NO_LOAD, DRY_SHORT, DRY_SHORT_NO_LOAD = 1, 2, 3, 4, 5, 6
PADS_ALONE, PADS_UNLEARNED, PADS_SHORT_NO_LOAD = 2, 4, 5


def coil(plan: FleetPlan, state: FleetState, rows: I64, count: I64, heat: HeatRejection) -> Judged:
    """The coil: 0 % where its loss of UA calls for a visit this week."""
    dry = compared(state, rows, "td_dry", count, LEAST_MEANS)
    wet = compared(state, rows, "td_wet", count, LEAST_MEANS)
    # Wet running says something of the coil only where no dry running says it better.
    alone = np.isnan(dry.ratio) & ~heat.dry_recent
    basis = np.where(alone, WET, DRY)
    ratio = np.where(alone, wet.ratio, dry.ratio)
    day_sd = np.where(heat.load_known, DAY_SD, NO_LOAD_DAY_SD)
    se = np.hypot(np.where(alone, wet.se, dry.se), day_sd)
    ntu = rated_ntu(plan, rows)

    def lost(of: F64) -> F64:
        return ua_loss_frac(of, USUAL_AIRFLOW_FRAC, full_flow_ntu=ntu)

    loss = lost(ratio)
    loss_sd = 0.5 * (lost(ratio + se) - lost(np.maximum(ratio - se, 0.3)))
    limit = np.where(
        heat.load_known,
        plan.settings.get("coil-fouled", "ua_loss_medium_pct", rows),
        plan.settings.get("coil-fouled", "ua_loss_no_load_pct", rows),
    ) / 100.0  # fmt: skip
    seen = (dry.count >= LEAST_MEANS) | (alone & (wet.count >= LEAST_MEANS))
    ran_wet = wet.count >= LEAST_MEANS
    short = np.where(
        ran_wet & ~alone,
        np.where(heat.load_known, DRY_SHORT, DRY_SHORT_NO_LOAD),
        np.where(heat.load_known, SHORT, SHORT_NO_LOAD),
    )
    reason = np.where(np.isnan(ratio), np.where(seen, UNLEARNED, short), 0)
    reason = np.where(standing(state, rows, COIL_SPOILT_BY), SPOILT, reason)
    raw = np.where(reason == 0, 100.0 * (1.0 - loss / limit), np.nan)
    sd = np.where(reason == 0, 100.0 * loss_sd / limit, np.nan)

    def explain(i: int) -> tuple[str, tuple[Reading, ...]]:
        found = (
            f"It has lost {max(100.0 * float(loss[i]), 0.0):.0f} % of its clean heat transfer; "
            f"it is due at {100.0 * float(limit[i]):.0f} %."
        )
        alike = "Non-condensable gas in the circuit and blown-off air drawn in again"
        if basis[i] == WET:
            alike = f"Pads that cool less, {alike[0].lower()}{alike[1:]}"
        found += f" {alike} would look the same."
        if not heat.load_known[i]:
            found += " The load is not sent, so more load would look the same."
        return found, _td_readings(dry, wet, bool(heat.load_known[i]), i)

    return Judged(
        raw, sd, np.where(alone, wet.count, dry.count),
        np.where(alone, wet.baseline_ms, dry.baseline_ms), basis, _COIL_NAMES, reason,
        _COIL_REASONS, explain,
    )  # fmt: skip


def pads(plan: FleetPlan, state: FleetState, rows: I64, count: I64, heat: HeatRejection) -> Judged:
    """The pads: 0 % where the air that they hold back, or their effect, calls for a visit."""
    drop = compared(state, rows, "pad_pressure_drop", count, LEAST_MEANS)
    wet = compared(state, rows, "td_wet", count, LEAST_MEANS)
    dry = compared(state, rows, "td_dry", count, LEAST_MEANS)
    rise_limit = plan.settings.get("pads-clogged", "rise_medium_pct", rows) / 100.0
    by_drop = 1.0 - (drop.ratio - 1.0) / rise_limit
    by_drop_sd = np.hypot(drop.se, DROP_DAY_SD) / rise_limit

    lost_limit = plan.settings.get("pads-not-wetting", "effect_lost_medium_pct", rows) / 100.0
    told = ((heat.effect_by == 1) | (heat.effect_by == 2)) & (wet.count >= LEAST_MEANS)
    effect = np.where(told, heat.effect, np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_effect = 1.0 - (1.0 - effect / heat.effect_clean) / lost_limit
        by_effect_sd = heat.effect_sd / heat.effect_clean / lost_limit
    has_drop = ~np.isnan(by_drop)
    # The drop is the finer witness; the effect counts where it is surely worse, as when glazed.
    worse = by_effect + 2.0 * by_effect_sd < by_drop - 2.0 * by_drop_sd
    use_drop = has_drop & ~worse
    basis = np.where(use_drop, DROP, np.where(heat.effect_by == 2, STEPS, MODES))
    raw = 100.0 * np.where(use_drop, by_drop, by_effect)
    sd = 100.0 * np.where(use_drop, by_drop_sd, by_effect_sd)
    short = (drop.count < LEAST_MEANS) & (wet.count < LEAST_MEANS)
    unlearned = (drop.count >= LEAST_MEANS) & np.isnan(drop.base)
    too_short = np.where(heat.load_known, SHORT, PADS_SHORT_NO_LOAD)
    why = np.where(short, too_short, np.where(unlearned, PADS_UNLEARNED, PADS_ALONE))
    reason = np.where(np.isnan(raw), why, 0)
    reason = np.where(standing(state, rows, PADS_SPOILT_BY), SPOILT, reason)
    raw, sd = (np.where(reason == 0, a, np.nan) for a in (raw, sd))
    limits = np.broadcast_to(rise_limit, len(rows)), np.broadcast_to(lost_limit, len(rows))

    def explain(i: int) -> tuple[str, tuple[Reading, ...]]:
        readings = _td_readings(dry, wet, bool(heat.load_known[i]), i)
        if not np.isnan(effect[i]):
            readings += (
                Reading("Effectiveness of the pads", 100.0 * float(effect[i]), "%",
                        100.0 * float(heat.effect_clean[i]), derived=True),
            )  # fmt: skip
        if use_drop[i]:
            found = (
                f"At equal airflow they hold back {100.0 * (float(drop.ratio[i]) - 1.0):+.0f} % "
                f"against the clean pads; they are due at {100.0 * float(limits[0][i]):+.0f} %."
            )
            here = Reading("Pad pressure drop at full airflow", float(drop.median[i]), "Pa",
                           float(drop.base[i]), derived=True)  # fmt: skip
            return found, (here, *readings)
        gone = 100.0 * (1.0 - float(effect[i]) / float(heat.effect_clean[i]))
        found = (
            f"They have lost {max(gone, 0.0):.0f} % of their effect; they are due at "
            f"{100.0 * float(limits[1][i]):.0f} %."
        )
        return found, readings

    return Judged(
        raw, sd, np.where(use_drop, drop.count, wet.count),
        np.where(use_drop, drop.baseline_ms, wet.baseline_ms), basis, _PAD_NAMES, reason,
        _PAD_REASONS, explain,
    )  # fmt: skip


def _td_readings(dry: Compared, wet: Compared, load_known: bool, i: int) -> tuple[Reading, ...]:
    at = "rated load and full airflow" if load_known else "full airflow, load not known"
    hours = 1 if load_known else UNKNOWN_STRIDE_H
    return tuple(
        Reading(f"Condensing above air on coil, {mode}", float(one.median[i]), "K",
                float(one.base[i]), derived=True,
                note=f"at {at}; median of {int(one.count[i])} means of {hours} h")
        for mode, one in (("dry", dry), ("wet", wet))
        if not np.isnan(one.ratio[i])
    )  # fmt: skip
