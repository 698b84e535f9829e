"""Pump screen and distribution: what the day's pump readings say of each, as losses of flow.

Behind the same holes the spray pressure goes with the square of the flow, so it witnesses the
suction side; what flows at that pressure, by the pump's current or a flow meter, witnesses the
holes. Without a pressure the two cannot be told apart, and the loss is put down to the screen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.condition.figures import Judged
from rules.condition.windows import Compared, compared, standing
from rules.events import Reading
from rules.physics.pump import flow_estimate
from rules.plan import FleetPlan
from rules.residuals import BELOW_SHUTOFF_SD, PRESSURE_MODEL_ERROR_FRAC
from rules.state import FleetState

__all__ = ["Flow", "distribution", "flow_of_day", "screen"]

LEAST_MEANS: Final = 12
"""An hour of steady running."""
CURRENT_DAY_SD: Final = 0.015
"""Day to day a clean pump's current at rated voltage wanders by so much with water temperature and
level (common practice; a fraction of it). Pressure and flow meter below, likewise."""
PRESSURE_DAY_SD: Final = 0.015
METER_DAY_SD: Final = 0.015
SPOILT_BY: Final = (
    "pump-not-running", "pump-drawing-air", "pump-overload", "float-stuck-shut",
)  # fmt: skip

_NAMES: Final = ("", "spray pressure", "pump current", "flow meter",
                 "flow meter and spray pressure", "pump current and spray pressure")  # fmt: skip
PRESSURE, CURRENT, METER, METER_AT_PRESSURE, CURRENT_AT_PRESSURE = 1, 2, 3, 4, 5
_REASONS: Final = (
    "",
    "The pump ran steadily for less than an hour of the day.",
    "Its clean state has not been learned yet.",
    "Another fault of pump or water stands, or its alarm is shelved, suppressed or out of service: "
    "the readings would show that as dirt.",
    "The pressure fell while the flow rose: the line is open behind the gauge.",
    "Without a spray pressure the holes cannot be told from the screen.",
    "It needs the pump's current or a flow meter beside the spray pressure.",
)
SHORT, UNLEARNED, SPOILT, OPEN, NO_PRESSURE, NO_FLOW = 1, 2, 3, 4, 5, 6


@dataclass(frozen=True)
class Flow:
    """The day's witnesses of the water over the pads, arrays (m,), each over its clean state."""

    current: Compared
    pressure: Compared
    meter: Compared
    by_current: F64
    """Flow by the current, as a fraction of the clean flow, and its standard deviation."""
    by_current_sd: F64
    by_pressure: F64
    by_pressure_sd: F64
    meter_sd: F64
    pressure_sd: F64
    reason: I64
    """Why nothing is known of any of them, 0 where something is."""


def flow_of_day(plan: FleetPlan, state: FleetState, rows: I64, count: I64) -> Flow:
    """The witnesses of units whose day ends; ``count`` is (m, quantities), means of the day."""
    current = compared(state, rows, "pump_current", count, LEAST_MEANS)
    pressure = compared(state, rows, "spray_pressure", count, LEAST_MEANS)
    meter = compared(state, rows, "spray_flow", count, LEAST_MEANS)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = plan.pump_magnetising_frac[rows] * plan.pump_rated_current_a[rows] / current.base
    flow, flow_sd = flow_estimate(
        current.ratio,
        np.minimum(share, 0.9),
        plan.pump_shutoff_frac[rows],
        np.hypot(current.se, CURRENT_DAY_SD),
    )
    dead = np.isnan(flow) & (current.ratio < 0.95)
    pressure_sd = np.hypot(pressure.se, PRESSURE_DAY_SD)
    by_pressure = np.sqrt(np.maximum(pressure.ratio, 0.0))
    model = PRESSURE_MODEL_ERROR_FRAC * np.maximum(1.0 - by_pressure, 0.0)
    alone = np.stack([current.ratio, pressure.ratio, meter.ratio])
    nothing: Bool = np.asarray(np.isnan(alone).all(axis=0), dtype=np.bool_)
    ran = (count[:, :3] >= LEAST_MEANS).any(axis=1)
    reason = np.where(nothing, np.where(ran, UNLEARNED, SHORT), 0)
    reason = np.where(standing(state, rows, SPOILT_BY), SPOILT, reason)
    return Flow(
        current=current,
        pressure=pressure,
        meter=meter,
        by_current=np.where(dead, 0.0, flow),
        by_current_sd=np.where(dead, BELOW_SHUTOFF_SD, flow_sd),
        by_pressure=by_pressure,
        by_pressure_sd=np.hypot(0.5 * pressure_sd, model),
        meter_sd=np.hypot(meter.se, METER_DAY_SD),
        pressure_sd=pressure_sd,
        reason=reason.astype(np.int64),
    )


def screen(plan: FleetPlan, rows: I64, flow: Flow) -> Judged:
    """The suction screen: 0 % where its loss of flow calls for a visit this week."""
    limit = _limit_frac(plan, rows, "pump-screen-clogging")
    has_pressure = ~np.isnan(flow.pressure.ratio)
    has_meter = ~np.isnan(flow.meter.ratio)
    basis = np.where(has_pressure, PRESSURE, np.where(has_meter, METER, CURRENT))
    left = np.choose(basis - 1, [flow.by_pressure, flow.by_current, flow.meter.ratio])
    sd = np.choose(basis - 1, [flow.by_pressure_sd, flow.by_current_sd, flow.meter_sd])
    # Pressure that falls while more flows is a hole in the line, not a screen.
    more = (flow.meter.ratio > 1.0 + 3.0 * flow.meter_sd) | (
        flow.current.ratio > 1.0 + 3.0 * np.hypot(flow.current.se, CURRENT_DAY_SD)
    )
    opened = has_pressure & (flow.pressure.ratio < 1.0 - 3.0 * flow.pressure_sd) & more
    reason = np.where((flow.reason == 0) & opened, OPEN, flow.reason)
    judged = _judged(left, sd, limit, reason)
    count, baseline_ms = _rests_on(flow, basis)

    def explain(i: int) -> tuple[str, tuple[Reading, ...]]:
        lost = 100.0 * (1.0 - float(left[i]))
        found = (
            f"The suction side costs {max(lost, 0.0):.0f} % of the clean flow; "
            f"it is due at {100.0 * limit[i]:.0f} %."
        )
        if basis[i] != PRESSURE:
            found += " Blocked holes would look the same: there is no spray pressure."
        return found, _readings(flow, i)

    return Judged(*judged, count, baseline_ms, basis, _NAMES, reason, _REASONS, explain)


def distribution(plan: FleetPlan, rows: I64, flow: Flow) -> Judged:
    """The distribution's holes: 0 % where, at equal pressure, the flow calls for a visit."""
    limit = _limit_frac(plan, rows, "distribution-restricted")
    has_pressure = ~np.isnan(flow.pressure.ratio)
    has_meter = ~np.isnan(flow.meter.ratio)
    through = np.where(has_meter, flow.meter.ratio, flow.by_current)
    through_sd = np.where(has_meter, flow.meter_sd, flow.by_current_sd)
    with np.errstate(divide="ignore", invalid="ignore"):
        # What passes the holes at the clean pressure: their open area.
        opening = through / flow.by_pressure
        relative = np.hypot(through_sd / through, 0.5 * flow.pressure_sd / flow.pressure.ratio)
    sd = np.where(through > 0, opening * relative, through_sd)
    basis = np.where(has_meter, METER_AT_PRESSURE, CURRENT_AT_PRESSURE)
    reason = np.where(flow.reason == 0, np.where(has_pressure, 0, NO_PRESSURE), flow.reason)
    reason = np.where((reason == 0) & np.isnan(through), NO_FLOW, reason)
    judged = _judged(opening, sd, limit, reason)
    count, baseline_ms = _rests_on(flow, np.where(has_meter, METER, CURRENT))

    def explain(i: int) -> tuple[str, tuple[Reading, ...]]:
        lost = 100.0 * (1.0 - float(opening[i]))
        found = (
            f"At equal pressure the holes pass {max(lost, 0.0):.0f} % less than when clean; "
            f"they are due at {100.0 * limit[i]:.0f} %."
        )
        return found, _readings(flow, i)

    return Judged(*judged, count, baseline_ms, basis, _NAMES, reason, _REASONS, explain)


def _limit_frac(plan: FleetPlan, rows: I64, slug: str) -> F64:
    limit = plan.settings.get(slug, "flow_loss_medium_pct", rows)
    return np.broadcast_to(limit, len(rows)) / 100.0


def _judged(left: F64, sd: F64, limit: F64, reason: I64) -> tuple[F64, F64]:
    raw = np.where(reason == 0, 100.0 * (1.0 - (1.0 - left) / limit), np.nan)
    return raw, np.where(reason == 0, 100.0 * sd / limit, np.nan)


def _rests_on(flow: Flow, basis: I64) -> tuple[I64, I64]:
    order = [flow.pressure, flow.current, flow.meter]
    count = np.choose(basis - 1, [c.count for c in order])
    return count, np.choose(basis - 1, [c.baseline_ms for c in order])


def _readings(flow: Flow, i: int) -> tuple[Reading, ...]:
    out = []
    for title, unit, one in (
        ("Pump current at rated voltage", "A", flow.current),
        ("Spray pressure", "kPa", flow.pressure),
        ("Spray flow", "L/min", flow.meter),
    ):
        if not np.isnan(one.ratio[i]):
            out.append(
                Reading(title, float(one.median[i]), unit, float(one.base[i]),
                        note=f"{100.0 * (float(one.ratio[i]) - 1.0):+.1f} % against the clean "
                        f"state; median of {int(one.count[i])} means of 5 min")
            )  # fmt: skip
    return tuple(out)
