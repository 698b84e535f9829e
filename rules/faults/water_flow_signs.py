"""What tells a screen from holes, air and a worn pump: the signs of the water, and their causes."""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.diagnosis import Sign, SignatureRow
from rules.events import Severity
from rules.look import UnitLook

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
         "pressure fell less than 2 times as far as current, in per cent",
         "pressure fell 2 to 3 times as far as current, in per cent", 0.5),
    Sign("sudden", "the water was lost from one running hour to the next", "",
         "the water was lost over many running hours", 1.0),
)  # fmt: skip

FLOW_CAUSES: Final = (
    SignatureRow("pump-screen-clogging", "Pump suction screen clogged",
                 {"pressure": -1, "current": -1, "flow": -1, "level": 0, "ratio": 1},
                 "Look at the screen; clean, it brings pressure and current back at once."),
    SignatureRow("distribution-restricted", "Distribution holes or pipe restricted",
                 {"pressure": 1, "current": -1, "flow": -1, "level": 0},
                 "Look at the holes along the pads: uneven or dry stripes."),
    SignatureRow("pump-drawing-air", "Pump draws air: basin low, whirl or leak at the suction",
                 {"pressure": -1, "current": -1, "flow": -1, "ratio": -1, "sudden": 1},
                 "Look at the level with the pump running; listen for gurgling."),
    SignatureRow("worn-pump", "Pump impeller worn, or wrong rotation",
                 {"pressure": -1, "current": -1, "flow": -1, "level": 0, "ratio": -1, "sudden": 0},
                 "If the screen is clean, check rotation and the impeller."),
    SignatureRow("downstream-open", "Distribution line open or leaking after the gauge",
                 {"pressure": -1, "current": 1, "level": 0, "sudden": 1},
                 "Look for a loose end cap or a split pipe."),
)  # fmt: skip


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
    ratio: int | None = None
    if current is not None and pressure is not None and pressure < 1.0:
        times = (1.0 - pressure) / max(1.0 - current, 0.005)
        ratio = 1 if times >= 3.0 else -1 if times < 2.0 else 0
    low = None
    if level is not None:
        low = -1 if level < look.unit.basin.pump_minimum_mm + 10.0 else 0
    witness = "spray_pressure" if pressure is not None else "pump_current"
    return {
        "sudden": _sudden(look, witness),
        "pressure": _sign_of(pressure, least_pressure),
        "current": _sign_of(current, least_current),
        "flow": _sign_of(ratios.get("spray_flow"), least_pressure),
        "level": low,
        "ratio": ratio,
    }


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


def confidence_of(slug: str, ratios: dict[str, float], severity: Severity) -> float:
    """Judgement: two witnesses that agree are worth more than one; a large loss than a small."""
    base = 0.55 if "spray_pressure" not in ratios else 0.85
    if "spray_flow" in ratios:
        base += 0.07
    if slug == DISTRIBUTION:
        base = max(base, 0.85)
    return min(0.97, base + 0.05 * (int(severity) - 1))


def limits_of(look: UnitLook, ratios: dict[str, float]) -> tuple[str, ...]:
    """What cannot be told apart without the signals that this unit lacks."""
    out: list[str] = []
    if "spray_pressure" not in ratios:
        out.append(
            "No spray pressure here: current alone cannot tell a clogged screen from restricted "
            "holes, and a small motor's current is a weak witness of flow. Look at both."
        )
    if not look.has("supply_voltage"):
        out.append("No supply voltage here: a lasting change of voltage looks like part of this.")
    if look.recent("level_running") is None:
        out.append("No basin level here: a low basin that lets the pump draw air looks the same.")
    return tuple(out)
