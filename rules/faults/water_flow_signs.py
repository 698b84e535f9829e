"""What tells a screen from holes, air and a worn pump: the signs of the water, and their causes."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np

from rules.diagnosis import Sign, SignatureRow
from rules.events import Severity
from rules.look import UnitLook
from rules.physics.pump import current_for_shaft_power_frac, power_for_flow_frac

__all__ = ["FLOW_CAUSES", "FLOW_SIGNS", "confidence_of", "limits_of", "seen_signs"]

DISTRIBUTION: Final = "distribution-restricted"

FLOW_SIGNS: Final = (
    Sign("pressure", "spray pressure is up", "spray pressure is down",
         "spray pressure is as in the clean state", 2.0, deciding=True),
    Sign("current", "pump current is up", "pump current is down",
         "pump current is as in the clean state", 1.0),
    Sign("flow", "the flow meter reads more", "the flow meter reads less",
         "the flow meter reads as in the clean state", 2.0),
    Sign("level", "the basin level is above the float's band",
         "the basin level is near the pump's minimum", "the basin level is in order", 1.5,
         deciding=True),
    Sign("ratio", "pressure fell at least 3 times as far as current, in per cent",
         "the motor draws less than a pump full of water at this pressure, whatever part of it the "
         "lift to the pads takes", "", 1.0),
    Sign("sudden", "the water was lost from one running hour to the next", "",
         "the water was lost over many running hours", 1.0),
    Sign("noise", "pump readings jump about as they did not when clean", "",
         "pump readings are as quiet as when clean", 0.5),
    Sign("stands", "no water flows, and no current tells that the pump runs", "",
         "the pump runs", 2.0, deciding=True),
)  # fmt: skip

FLOW_CAUSES: Final = (
    SignatureRow("pump-not-running", "Pump does not run, or has lost its water",
                 {"pressure": -1, "flow": -1, "level": 0, "stands": 1},
                 "Look whether the motor turns; a shut valve or a full block looks the same."),
    SignatureRow("pump-screen-clogging", "Pump suction screen clogged",
                 {"pressure": -1, "current": -1, "flow": -1, "level": 0, "ratio": 1,
                  "noise": 0},
                 "Look at the screen; clean, it brings pressure and current back at once."),
    SignatureRow("distribution-restricted", "Distribution holes or pipe restricted",
                 {"pressure": 1, "current": -1, "flow": -1, "level": 0, "noise": 0},
                 "Look at the holes along the pads: uneven or dry stripes."),
    SignatureRow("pump-drawing-air", "Pump draws air: basin low, whirl or leak at the suction",
                 {"pressure": -1, "current": -1, "flow": -1, "ratio": -1, "sudden": 1,
                  "noise": 1},
                 "Look at the level with the pump running; listen for gurgling."),
    SignatureRow("worn-pump", "Pump impeller worn, or wrong rotation",
                 {"pressure": -1, "current": -1, "flow": -1, "level": 0, "ratio": -1, "sudden": 0,
                  "noise": 0},
                 "If the screen is clean, check rotation and the impeller."),
    SignatureRow("downstream-open", "Distribution line open or leaking after the gauge",
                 {"pressure": -1, "current": 1, "level": 0, "sudden": 1},
                 "Look for a loose end cap or a split pipe."),
)  # fmt: skip


LIFT_KPA: Final = 20.0
"""The most of the spray pressure that only lifts the water to the pipe over the pads: two metres
(common practice). However little water the pump gives, that share of its pressure stays."""
LIFT_MOST_FRAC: Final = 0.6
"""A pump that needs more for the lift alone hardly sprays (judgement)."""
SHARES_FRAC: Final = 0.8
"""The nameplate's magnetising and shut-off shares are seldom known better than by a fifth each
(judgement)."""


NO_WATER_FRAC: Final = 0.05
"""Share of the clean flow below which a meter shows none: about its cut-off (common practice)."""


def _sign_of(ratio: float | None, least_pct: float) -> int | None:
    if ratio is None:
        return None
    change = 100.0 * (ratio - 1.0)
    return 1 if change >= least_pct else -1 if change <= -least_pct else 0


def seen_signs(
    look: UnitLook, ratios: dict[str, float], level: float | None, slug: str
) -> dict[str, int | None]:
    """What the unit shows of each sign; ``ratios`` are the newest hours over the clean ones.

    ``level`` is that of the running pump [mm], ``slug`` the fault whose settings count.
    """
    least_current = look.setting(slug, "least_current_change_pct")
    least_pressure = look.setting(slug, "least_pressure_change_pct")
    current, pressure = ratios.get("pump_current"), ratios.get("spray_pressure")
    low = None
    if level is not None:
        low = -1 if level < look.unit.basin.pump_minimum_mm + 10.0 else 0
    witness = "spray_pressure" if pressure is not None else "pump_current"
    return {
        "sudden": _sudden(look, witness),
        "noise": _restless(look, ratios),
        "stands": _stands(look, ratios),
        "pressure": _sign_of(pressure, least_pressure),
        "current": _sign_of(current, least_current),
        "flow": _sign_of(ratios.get("spray_flow"), least_pressure),
        "level": low,
        "ratio": _ratio(look, current, pressure, least_current / 100.0),
    }


def _stands(look: UnitLook, ratios: dict[str, float]) -> int | None:
    """1 where no water flows and no current is known, 0 where the pump is seen to run, else None.

    Without current and flow a pressure that the lift alone may leave behind a check valve is no
    proof.
    """
    if "pump_current" in ratios:
        return 0
    if "spray_flow" in ratios:
        return int(ratios["spray_flow"] < NO_WATER_FRAC)
    clean = look.baseline("spray_pressure")
    if clean is None or "spray_pressure" not in ratios:
        return None
    return 0 if ratios["spray_pressure"] > _lift_frac(clean.value) else None


def _lift_frac(clean_kpa: float) -> float:
    """The share of the clean pressure that only lifts the water to the pads, at most. [1]"""
    return min(LIFT_KPA / clean_kpa, LIFT_MOST_FRAC)


def _ratio(
    look: UnitLook, current: float | None, pressure: float | None, least: float
) -> int | None:
    """How far pressure fell beside current: 1 as behind a screen, -1 as of a pump not full.

    A pump that a screen or a pipe throttles stays on its own curve: its pressure tells its flow,
    for the holes are the same, and its flow the least that its motor draws. One with air in it or
    a worn impeller draws less than that. None where the lift and the nameplate allow either.
    """
    if current is None or pressure is None or pressure >= 1.0:
        return None
    if 1.0 - pressure >= 3.0 * max(1.0 - current, 0.005):
        return 1
    base, clean = look.baseline("pump_current"), look.baseline("spray_pressure")
    if base is None or clean is None:
        return None
    lift = _lift_frac(clean.value)
    flow = np.sqrt(max(pressure - lift, 0.0) / (1.0 - lift))
    plan, row = look.plan, look.row
    power = power_for_flow_frac(flow, SHARES_FRAC * plan.pump_shutoff_frac[row])
    share = SHARES_FRAC * plan.pump_magnetising_frac[row] * plan.pump_rated_current_a[row]
    full = float(current_for_shaft_power_frac(power, min(share / base.value, 0.9)))
    return -1 if current < (1.0 - least) * full else None


HOUR_BINS: Final = 12
SUDDEN_FRAC: Final = 0.6
"""Share of the whole fall that one step of two hours must hold to be called sudden (judgement)."""


def _sudden(look: UnitLook, quantity: str) -> int | None:
    """1 where most of the fall came at once, 0 where it grew; None where it is longer ago.

    By medians of running hours. A pump wears over months and a screen fills over days; a suction
    that opens, or a leaf before the screen, is there from one hour to the next.
    """
    base = look.baseline(quantity)
    means = look.steady_means(quantity)
    n = len(means) // HOUR_BINS
    if base is None or n < 3:
        return None
    hours = np.median(means[len(means) - n * HOUR_BINS :].reshape(n, HOUR_BINS), axis=1)
    fall = base.value - hours[-1]
    if fall <= 0.0:
        return None
    if np.max(hours[:-2] - hours[2:]) >= SUDDEN_FRAC * fall:
        return 1
    return 0 if base.value - hours[0] <= (1.0 - SUDDEN_FRAC) * fall else None


RESTLESS_SPREADS: Final = 3.0
RESTLESS_FRAC: Final = 0.02
"""So many clean spreads, and this share of the clean value, from one mean to the next are restless:
air in the pump does so, no noise of a clean one (judgement)."""
QUIET_SPREADS: Final = 1.5
"""Up to so many, or half that share, is quiet; what lies between says neither (judgement)."""


def _restless(look: UnitLook, quantities: Iterable[str]) -> int | None:
    """1 where a witness jumps from mean to mean, 0 where all are as quiet as when clean.

    Air comes in gulps: current, pressure and flow all jump. A narrow screen or pipe takes its share
    evenly, and a worn pump does. By the last running hour; None where that cannot be told.
    """
    quiet: list[bool] = []
    for quantity in quantities:
        base = look.baseline(quantity)
        steps = np.abs(np.diff(look.steady_means(quantity)[-HOUR_BINS:]))
        if base is None or len(steps) < HOUR_BINS // 2:
            continue
        # A difference of two has sqrt(2) times the deviation of one; 1.4826 as for any median.
        noise = 1.4826 / np.sqrt(2.0) * float(np.median(steps))
        if noise >= max(RESTLESS_SPREADS * base.spread, RESTLESS_FRAC * base.value):
            return 1
        quiet.append(noise <= max(QUIET_SPREADS * base.spread, RESTLESS_FRAC / 2 * base.value))
    return 0 if quiet and all(quiet) else None


def confidence_of(slug: str, ratios: dict[str, float], severity: Severity) -> float:
    """Judgement: two witnesses that agree are worth more than one; a large loss than a small."""
    base = 0.55 if "spray_pressure" not in ratios else 0.85
    if "spray_flow" in ratios:
        base += 0.07
    if slug == DISTRIBUTION:
        base = max(base, 0.85)
    return min(0.97, base + 0.05 * (int(severity) - 1))


_WITHOUT_PRESSURE: Final = {
    (True, False): (
        "No spray pressure here: current alone cannot tell a clogged screen from restricted holes, "
        "and a small motor's current is a weak witness of flow. Look at both."
    ),
    (True, True): (
        "No spray pressure here: current and flow fall alike behind a clogged screen and behind "
        "restricted holes. Look at both."
    ),
    (False, True): (
        "Neither pump current nor spray pressure here: the flow meter tells that water is lost, "
        "not where. Look at screen, holes and pump, and at the meter itself."
    ),
    (False, False): "No witness of the water here at present.",
}
"""By whether current and flow are witnesses."""


def limits_of(look: UnitLook, ratios: dict[str, float]) -> tuple[str, ...]:
    """What cannot be told apart without the signals that this unit lacks."""
    out: list[str] = []
    if "spray_pressure" not in ratios:
        out.append(_WITHOUT_PRESSURE[("pump_current" in ratios, "spray_flow" in ratios)])
    if "pump_current" in ratios and not look.has("supply_voltage"):
        out.append("No supply voltage here: a lasting change of voltage looks like part of this.")
    if look.recent("level_running") is None:
        out.append("No basin level here: a low basin that lets the pump draw air looks the same.")
    return tuple(out)
