r"""The water of one unit over a period, by balances over the five-minute means.

Evaporation is the air side's: airflow times the rise of its humidity over the pads. What leaves as
liquid is metered, or follows from the solids. With make-up M, evaporation E, volume V and the
conductivities C of basin and C_m of make-up, the solids' balance over a stretch of running is

.. math:: \int B\,dt = \int \frac{M C_m}{C}\,dt - V \ln\frac{C_1}{C_0}
          = \int \frac{E C_m}{C - C_m}\,dt - V \ln\frac{C_1 - C_m}{C_0 - C_m}

Make-up is metered, or is what all the others ask for. Sources: mass balance; US DOE FEMP cooling
tower management (make-up = evaporation + blowdown + drift). Nothing here is filled up.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from rules.arrays import F64, Bool
from rules.balance import (
    EVAPORATION_ERROR_FRAC,
    LIP_MM,
    MAKEUP_ERROR_FRAC,
    METER_ERROR_FRAC,
    VOLUME_ERROR_FRAC,
)
from rules.consumption.figures import Amount
from rules.consumption.trace import STEP_MS, Trace, held
from rules.physics.pads import evaporation_l_min
from rules.physics.water_balance import bleed_for_cycles_l_min

__all__ = ["STEP_MIN", "Water", "water_of"]

STEP_MIN: Final = STEP_MS / 60_000.0
METERED: Final = "make-up meter"
BLEED_METER: Final = "bleed meter"
_LEAST_CYCLES: Final = 1.15
"""Nearer to the make-up's own conductivity the evaporation says nothing of what leaves: an error of
the make-up's conductivity moves the answer without bound (judgement)."""
_STILL_FALL_MM: Final = 10.0
"""A smaller fall over a standstill is waves, temperature and the transmitter (judgement)."""
_NOISE_SDS: Final = 10.0
"""So many standard deviations of a 20-minute mean lie apart what noise alone brings about in a
month, its last reading alone among them (judgement)."""
_SETTLING_BINS: Final = 2
"""After the pump stops, pads and pipes drain back for some minutes."""
_LONGEST_HOLE_BINS: Final = 12


@dataclass(frozen=True)
class Water:
    """Flows in each five minutes (n,) [L/min], NaN where not known; and the figures by name."""

    evaporation: F64
    makeup: F64
    liquid: F64
    """All that leaves as liquid while wet running: bleed, leak and overflow."""
    wanted: F64
    """The bleed that holds the intended cycles."""
    amounts: dict[str, Amount]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Told:
    """What the means of some hours tell: flows (n,) [L/min], figures, and by what the liquid is."""

    evaporation: F64
    liquid: F64
    wanted: F64
    amounts: dict[str, Amount]
    how: str


def water_of(trace: Trace) -> Water:
    """All that the means tell of the water."""
    told = _told(trace)
    amounts = dict(told.amounts)
    meter = trace.signal("makeup_flow")
    # What is taken from each other, or summed up to what came in, must be of the same hours.
    leaves = ~np.isnan(told.evaporation)
    leaves &= ~np.isnan(told.liquid) | (trace.pump_running == 0.0)
    out = _within(trace, told, leaves, ~np.isnan(told.evaporation) | ~np.isnan(told.liquid))
    amounts["beyond_target"] = _beyond(out)
    makeup, amounts["makeup"] = _makeup(trace, meter, told, out)
    metered = leaves & ~np.isnan(meter)
    out = _within(trace, told, metered, leaves | ~np.isnan(meter))
    amounts["unaccounted"] = (
        Amount.unknown("Make-up is not metered, so nothing can be left over.")
        if np.isnan(meter).all()
        else _unaccounted(np.where(metered, meter, np.nan), out)
    )
    notes = []
    if trace.has("fan_run") is False and trace.n:
        notes.append("No fan is proven running, so all are taken to run at the commanded speed.")
    return Water(told.evaporation, makeup, told.liquid, told.wanted, amounts, tuple(notes))


def _told(trace: Trace) -> _Told:
    unit = trace.unit
    running = trace.pump_running
    wet = running > 0.0
    evaporation = np.where(running == 0.0, 0.0, np.nan)
    given = running * evaporation_l_min(
        trace.air_frac * unit.fans.rated_airflow_m3_s,
        trace.signal("ambient_temperature"),
        trace.wet_bulb_degc,
        unit.pads.effectiveness_frac,
        trace.pressure_kpa_abs,
    )
    evaporation = np.where(wet, given, evaporation)
    wanted = np.where(
        evaporation > 0.0, bleed_for_cycles_l_min(evaporation, unit.water.target_cycles), 0.0
    )
    wanted = np.where(np.isnan(evaporation), np.nan, wanted)
    liquid, liquid_amount, how = _liquid(trace, evaporation, wet)
    amounts = {
        "evaporation": _evaporation(trace, evaporation),
        "wet_hours": _hours(running),
        "cycles": _cycles(trace, wet),
    }
    amounts |= _parted(trace, evaporation, liquid, liquid_amount, wanted)
    amounts["standing"] = _standing(trace, running)
    return _Told(evaporation, liquid, wanted, amounts, how)


def _within(trace: Trace, told: _Told, hours: Bool, known: Bool) -> _Told:
    """What those hours alone tell; ``told`` itself where nothing else is ``known``."""
    if hours[known].all():
        return told
    mean = {name: np.where(hours, values, np.nan) for name, values in trace.mean.items()}
    return _told(replace(trace, mean=mean))


def _covered(known: Bool) -> float:
    return float(known.mean()) if len(known) else 0.0


def _sum_l(flow: F64) -> float:
    return float(np.nansum(flow) * STEP_MIN)


def _evaporation(trace: Trace, flow: F64) -> Amount:
    known = ~np.isnan(flow)
    wet = trace.pump_running > 0.0
    if not known.any() or (wet.any() and not known[wet].any()):
        lacking = [s for s in ("ambient_temperature", "relative_humidity") if not trace.has(s)]
        if np.isnan(trace.pump_running).all():
            return Amount.unknown("Whether the pump ran is not sent.")
        if lacking:
            return Amount.unknown(f"Not sent: {', '.join(s.replace('_', ' ') for s in lacking)}.")
        return Amount.unknown("Airflow is not known: neither fan speed nor fans running are sent.")
    total = _sum_l(flow)
    return Amount(
        total, EVAPORATION_ERROR_FRAC * total, _covered(known),
        "airflow of the running fans times the rise of humidity over pads of the rated "
        "effectiveness, while the pump runs",
    )  # fmt: skip


def _hours(running: F64) -> Amount:
    known = ~np.isnan(running)
    if not known.any():
        return Amount.unknown("Whether the pump ran is not sent.")
    return Amount(float(np.nansum(running)) * STEP_MIN / 60.0, 0.0, _covered(known), "the pump ran")


def _cycles(trace: Trace, wet: Bool) -> Amount:
    c = np.where(wet, trace.signal("conductivity"), np.nan)
    known = c > 0.0
    if not known.any():
        return Amount.unknown("Conductivity while wet running is not sent.")
    # Weighted by time: what leaves takes its solids along at the conductivity of that moment.
    value = float(np.mean(c[known])) / trace.unit.water.makeup_conductivity_us_cm
    wet_count = max(int(wet.sum()), 1)
    return Amount(
        value, MAKEUP_ERROR_FRAC * value, float(known.sum()) / wet_count,
        "basin's conductivity over the make-up's of the site file, while wet running",
    )  # fmt: skip


def _runs(known: Bool) -> Iterator[slice]:
    """Stretches of known means; shorter holes within are bridged by the caller's own sums."""
    at = np.flatnonzero(known)
    if not len(at):
        return
    breaks = np.flatnonzero(np.diff(at) > _LONGEST_HOLE_BINS)
    for first, last in zip(
        [0, *(breaks + 1).tolist()], [*breaks.tolist(), len(at) - 1], strict=True
    ):
        yield slice(int(at[first]), int(at[last]) + 1)


def _liquid(trace: Trace, evaporation: F64, wet: Bool) -> tuple[F64, Amount, str]:
    """What leaves as liquid in wet running: the flow (n,), its sum, and by what it was known."""
    unit = trace.unit
    c = np.where(wet, trace.signal("conductivity"), np.nan)
    c_m = unit.water.makeup_conductivity_us_cm
    volume = unit.basin.area_m2 * (unit.basin.float_shut_mm + unit.basin.pull_down_mm)
    meter = np.where(wet, np.maximum(trace.signal("makeup_flow"), 0.0), np.nan)
    bled = np.where(wet, np.maximum(trace.signal("bleed_flow"), 0.0), np.nan)
    ways: list[tuple[str, F64, F64, float]] = []
    with np.errstate(divide="ignore", invalid="ignore"):
        ways.append((BLEED_METER, bled, np.full(trace.n, np.nan), METER_ERROR_FRAC))
        ways.append(
            ("make-up meter and solids", np.where(c > 0.0, meter * c_m / c, np.nan),
             np.log(np.where(c > 0.0, c, np.nan)),
             float(np.hypot(METER_ERROR_FRAC, MAKEUP_ERROR_FRAC)))
        )  # fmt: skip
        clear = c > _LEAST_CYCLES * c_m
        gap = np.where(clear, c - c_m, np.nan)
        cycles = float(np.nanmean(c[clear])) / c_m if clear.any() else 2.0
        # An error of C_m moves E C_m/(C - C_m) by C/(C - C_m) of itself.
        sensitivity = MAKEUP_ERROR_FRAC * cycles / max(cycles - 1.0, _LEAST_CYCLES - 1.0)
        ways.append(
            ("evaporation and solids", evaporation * c_m / gap, np.log(gap),
             float(np.hypot(EVAPORATION_ERROR_FRAC, sensitivity)))
        )  # fmt: skip
    need = np.where(wet, 1.0, 0.0).astype(bool)
    best: tuple[F64, Amount, str] | None = None
    for how, flow, log_c, error in ways:
        known = ~np.isnan(flow)
        if not known.any():
            continue
        stored = sum(_turned(log_c[run][~np.isnan(log_c[run])], volume) for run in _runs(known))
        total = max(_sum_l(flow) - stored, 0.0)
        sd = float(np.hypot(error * total, VOLUME_ERROR_FRAC * abs(stored)))
        share = float(known.sum()) / max(int(need.sum()), 1)
        amount = Amount(total, sd, min(share, 1.0), how)
        # The first way serves unless it leaves out a tenth of the running that a later one sees.
        if best is None or share > best[1].coverage_frac + 0.1:
            best = flow, amount, how
    if best is not None:
        return best
    if not wet.any() and not np.isnan(trace.pump_running).all():
        nothing = Amount(0.0, 0.0, _covered(~np.isnan(trace.pump_running)), "it did not run wet")
        return np.where(np.isnan(trace.pump_running), np.nan, 0.0), nothing, nothing.method
    why = (
        "Neither a bleed meter nor conductivity is sent."
        if not trace.has("conductivity")
        else "Neither make-up nor evaporation is known beside the conductivity, or the basin is "
        "hardly more concentrated than the make-up."
    )
    return np.full(trace.n, np.nan), Amount.unknown(why), ""


def _turned(log_c: F64, volume_l: float) -> float:
    """Water that the change of concentration stands for: V ln(C1/C0), (n,) logs of a stretch."""
    if len(log_c) < 2:
        return 0.0
    steps = np.diff(log_c)
    # A sudden fall is a basin drained and filled again; that water is lost at standstill.
    return float(volume_l * steps[steps > -0.5].sum())


def _parted(
    trace: Trace, evaporation: F64, liquid: F64, total: Amount, wanted: F64
) -> dict[str, Amount]:
    """Bleed and overflow: what leaves while the level is at the lip, beyond the bleed, runs over.

    At the lip the bleed is the metered one, else the one for the intended cycles.
    """
    if not trace.has("basin_level"):
        said = " and within the bleed" if total.method != BLEED_METER else ""
        return {
            "bleed": total,
            "overflow": Amount.unknown(f"The level is not sent, so overflow is not seen{said}."),
        }
    level = trace.signal("basin_level")
    lip = level > trace.unit.basin.overflow_mm - LIP_MM
    covered = _covered(~np.isnan(level))
    if not lip.any():
        none = Amount(0.0, 0.0, covered, "the level was never at the lip")
        return {"bleed": total, "overflow": none}
    bled = trace.signal("bleed_flow")
    bled = np.maximum(np.where(np.isnan(bled), wanted, bled), 0.0)
    balance = np.maximum(trace.signal("makeup_flow"), 0.0) - evaporation - bled
    by_meter = not np.isnan(balance[lip]).all()
    # At rest the conductivity stands, and tells nothing of what runs over.
    solids = np.where(evaporation > 0.0, liquid - bled, np.nan)
    over = np.where(lip, np.maximum(balance if by_meter else solids, 0.0), 0.0)
    if total.method == BLEED_METER and not by_meter:
        return {
            "bleed": total,
            "overflow": Amount.unknown("Water ran over the lip; make-up is not metered."),
        }
    known = ~np.isnan(over)
    spilt = _sum_l(over)
    error = METER_ERROR_FRAC if by_meter else EVAPORATION_ERROR_FRAC
    spent = float(np.nansum((evaporation + bled)[lip & known])) * STEP_MIN
    sd = float(np.hypot(error * (spilt + spent), EVAPORATION_ERROR_FRAC * spent))
    how = "make-up meter less evaporation and bleed" if by_meter else total.method
    overflow = Amount(
        spilt, sd, min(covered, _covered(known)), f"while the level stood at the lip, by {how}"
    )
    if total.value is None or total.sd is None or total.method == BLEED_METER:
        return {"bleed": total, "overflow": overflow}
    running = _sum_l(np.where(evaporation > 0.0, over, 0.0))
    rest = max(total.value - running, 0.0)
    return {
        "bleed": Amount(rest, total.sd, total.coverage_frac, f"{total.method}, less the overflow"),
        "overflow": overflow,
    }


def _standing(trace: Trace, running: F64) -> Amount:
    """Water that left while the pump stood: drained on purpose, or leaked. A lower bound.

    What the float lets in meanwhile hides as much of the fall.
    """
    level = np.where(running == 0.0, trace.signal("basin_level"), np.nan)
    known = ~np.isnan(level)
    if not trace.has("basin_level"):
        return Amount.unknown("The level is not sent.")
    lost = lost_sd = 0.0
    for run in held(running == 0.0):
        heights = level[run][_SETTLING_BINS:]
        heights = heights[~np.isnan(heights)]
        if len(heights) < 2:
            continue
        fall, fall_sd = _fallen(heights)
        lost += fall * trace.unit.basin.area_m2
        lost_sd += fall_sd * trace.unit.basin.area_m2
    return Amount(
        lost, float(np.hypot(VOLUME_ERROR_FRAC * lost, lost_sd)), _covered(known | (running > 0.0)),
        "fall of the level while the pump stands; at least, for what the float lets in is not seen",
    )  # fmt: skip


def _fallen(heights: F64) -> tuple[float, float]:
    """Height lost over a standstill, refillings not netted, and its standard deviation. [mm]

    From each highest to the lowest that follows before the water rises again, in means of 20
    minutes; a rise or fall that waves and transmitter make by themselves is none.
    """
    whole = len(heights) // 4 * 4
    means = heights[:whole].reshape(-1, 4).mean(axis=1)
    steps = np.diff(means)
    off = np.abs(steps - np.median(steps)) if len(steps) else np.zeros(1)
    noise = 1.4826 * float(np.median(off)) / np.sqrt(2.0)
    least = max(_STILL_FALL_MM, _NOISE_SDS * noise)
    lost, legs = 0.0, 0
    high = low = float(heights[0])
    falling = False
    for height in (*means.tolist(), float(heights[-1])):
        if falling:
            low = min(low, height)
            if height - low > least:
                lost, legs = lost + high - low, legs + 1
                high, falling = height, False
        elif high - height > least:
            low, falling = height, True
        else:
            high = max(high, height)
    if falling:
        lost, legs = lost + high - low, legs + 1
    # Both ends of a fall are extremes, which noise stretches.
    return lost, 3.0 * noise * legs


def _beyond(out: _Told) -> Amount:
    """What left as liquid beyond the bleed for the intended cycles, and so need not have."""
    bleed, overflow = out.amounts["bleed"], out.amounts["overflow"]
    evaporation = out.amounts["evaporation"]
    if bleed.value is None or bleed.sd is None:
        return Amount.unknown(bleed.method)
    if evaporation.value is None:
        return Amount.unknown("Without the evaporation the bleed that is needed is not known.")
    asked = _sum_l(out.wanted)
    # A timed bleed comes by turns: only the sum says whether it is too much.
    excess = max(bleed.value + (overflow.value or 0.0) - asked, 0.0)
    sd = float(np.hypot(bleed.sd + (overflow.sd or 0.0), EVAPORATION_ERROR_FRAC * asked))
    return Amount(
        excess, sd, min(bleed.coverage_frac, evaporation.coverage_frac),
        f"{out.how}, less the bleed for the intended cycles",
    )  # fmt: skip


def _leaving(out: _Told) -> list[Amount]:
    """What left, each way that is known; empty where evaporation or bleed is not."""
    ways = [out.amounts[name] for name in ("evaporation", "bleed", "overflow", "standing")]
    if ways[0].value is None or ways[1].value is None:
        return []
    return [a for a in ways if a.value is not None]


def _makeup(trace: Trace, meter: F64, told: _Told, out: _Told) -> tuple[F64, Amount]:
    known = ~np.isnan(meter)
    if known.any():
        flow = np.where(known, np.maximum(meter, 0.0), np.nan)
        total = _sum_l(flow)
        return flow, Amount(total, METER_ERROR_FRAC * total, _covered(known), METERED)
    parts = _leaving(out)
    if not parts:
        return np.full(trace.n, np.nan), Amount.unknown(
            "There is no make-up meter, and the other flows are not all known."
        )
    return told.evaporation + told.liquid, Amount(
        sum(a.value or 0.0 for a in parts), float(np.sqrt(sum((a.sd or 0.0) ** 2 for a in parts))),
        min(a.coverage_frac for a in parts), "no meter: sum of what left",
    )  # fmt: skip


def _unaccounted(meter: F64, out: _Told) -> Amount:
    """What a make-up meter counted beyond all that left; below nothing where more left than came.

    A leak in running where the bleed is metered, or an error of one of the flows. ``meter`` (n,) is
    of the hours of ``out``.
    """
    parts = _leaving(out)
    if not parts:
        return Amount.unknown("Evaporation and bleed are not both known in hours of the meter.")
    came = _sum_l(np.maximum(meter, 0.0))
    sd = float(np.sqrt((METER_ERROR_FRAC * came) ** 2 + sum((a.sd or 0.0) ** 2 for a in parts)))
    return Amount(
        came - sum(a.value or 0.0 for a in parts), sd,
        min(_covered(~np.isnan(meter)), *(a.coverage_frac for a in parts)),
        "make-up meter less all that was seen to leave in the same hours",
    )  # fmt: skip
