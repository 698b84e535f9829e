"""Readings of one unit before and after some work, brought to hours that can be compared.

Out of five-minute means come hours in which pump and mode stood still, each with what it witnesses
of a part and with the conditions that it was taken in: mode, weather, load, airflow. Hours of the
one side that have no like on the other are left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.bins import fan_capacity_of
from rules.heat import LEAST_AIRFLOW_FRAC, LEAST_LOAD_FRAC, over_ambient_k
from rules.physics.moist_air import wet_bulb_degc
from rules.physics.pump import current_at_rated_voltage_a, flow_estimate
from rules.plan import FleetPlan
from rules.settings import FLEET
from rules.signals import INDEX
from rules.staging import FOUND_OUT_MS, LEAST_STEPS, TOGETHER, is_staged, masked, stages_wanted

__all__ = ["HOUR_MS", "Fans", "Hours", "Means", "alike", "fans_of", "hours_of"]

HOUR_MS: Final = 3_600_000
BIN_MS: Final = 300_000
LEAST_BINS: Final = 4
"""Means that an hour rests on."""
SETTLED_BINS: Final = 4
"""Mode and pump stood still through so many means: pads need 20 minutes."""
AMBIENT_K: Final = 3.0
LOAD_FRAC: Final = 0.10
AIRFLOW_FRAC: Final = 0.15
CLOCK_H: Final = 2.0
"""How far two hours may lie apart in each condition and still be alike (judgement). The hour of the
day stands for the load where that is not sent."""


@dataclass(frozen=True)
class Means:
    """Five-minute means of one unit in order of time: ``start_ms`` (n,), the rest (n, signals).

    ``low`` and ``high`` are the least and greatest of each five minutes; all in catalogue order and
    units, NaN where not measured.
    """

    start_ms: I64
    mean: F64
    low: F64
    high: F64


@dataclass(frozen=True)
class Hours:
    """Hours (n,) of one unit: when, in which conditions, and what was witnessed.

    ``witness`` holds one array (n,) by quantity, NaN where the hour does not tell it.
    """

    start_ms: I64
    wet: F64
    ambient_degc: F64
    load_frac: F64
    airflow_frac: F64
    witness: dict[str, F64]

    def only(self, index: Bool) -> Hours:
        """Some of the hours."""
        return Hours(
            self.start_ms[index], self.wet[index], self.ambient_degc[index],
            self.load_frac[index], self.airflow_frac[index],
            {name: values[index] for name, values in self.witness.items()},
        )  # fmt: skip


@dataclass(frozen=True)
class Fans:
    """How the fans of a unit are switched, by what its readings show of it."""

    staged: bool
    """They are, or may be, switched in stages: those that run turn at full speed."""
    told: bool
    """Command and proofs tell the airflow. Fans at a common speed that is not sent hide it."""


def fans_of(plan: FleetPlan, row: int, sides: Sequence[Means]) -> Fans:
    """How the fans are switched, from all readings that are to be compared.

    The same signs as live (:mod:`rules.staging`): all fans at part speed for an hour run together;
    without a command, fans whose number goes up and down are switched on and off.
    """
    count = plan.fan_count[[row]]
    setting = np.atleast_1d(plan.settings.get("fan-not-proven", "staged", np.array([row])))
    together = any(_run_together(means, count) for means in sides)
    staged = is_staged(setting[:1], np.array([TOGETHER if together else 0]))[0] > 0.5
    speed = INDEX["fan_speed"]
    sends_speed = any((means.high[:, speed] > 0.0).any() for means in sides)
    return Fans(staged, sends_speed or _step(sides, count))


def _still_mask(means: Means) -> F64:
    """The proofs where they stood still, else NaN: the mean of a bit mask means nothing."""
    run = INDEX["fan_run"]
    return np.where(means.low[:, run] == means.high[:, run], means.high[:, run], np.nan)


def _proven(means: Means, count: I64) -> F64:
    mask = _still_mask(means)
    return np.where(np.isnan(mask), np.nan, np.bitwise_count(masked(mask, count)))


def _run_together(means: Means, count: I64) -> bool:
    """Whether all fans were seen running below the command of all stages, for an hour."""
    low, high = (a[:, INDEX["fan_speed"]] for a in (means.low, means.high))
    part = (_proven(means, count) == count) & (low > 0.0) & (stages_wanted(high, count) < count)
    return bool(_held(part, means.start_ms, FOUND_OUT_MS // BIN_MS).any())


def _step(sides: Sequence[Means], count: I64) -> bool:
    """Whether the number of running fans goes up and down as only single fans do."""
    seen = [_proven(means, count) for means in sides]
    ran = [up[up > 0.0] for up in seen]  # NaN is not
    turns = sum(int(np.count_nonzero(np.diff(up))) for up in ran)
    up = np.concatenate(ran) if ran else np.empty(0)
    if turns < LEAST_STEPS:
        return False
    apart = up.max() - up.min()
    one = int(count[0])
    return bool(apart >= min(2, one - 1) or (apart >= 1 and up.min() <= one - 2))


def hours_of(plan: FleetPlan, row: int, means: Means, fans: Fans | None = None) -> Hours:
    """The hours of a stretch of five-minute means.

    ``fans`` says how the fans are switched; left out, these means alone have to.

    Witnesses: ``spray_pressure`` [kPa], ``spray_flow`` [L/min], ``pump_current`` [A, at rated
    voltage], ``opening`` (flow at rated pressure over the rated one, by meter or current) [-],
    ``td_dry`` and ``td_wet`` [K, at rated load where it is sent, and full airflow],
    ``pad_pressure_drop`` [Pa, at full airflow], ``leak`` (make-up while the float should be shut)
    [L/min], ``off_intended`` (conductivity off the intended) [µS/cm].
    """
    n = len(means.start_ms)
    rows = np.full(n, row)

    def of(name: str) -> F64:
        return means.mean[:, INDEX[name]]

    running = _steady_pump(plan, rows, means)
    wet = _mode(means, running)
    air = _airflow(plan, rows, means, fans or fans_of(plan, row, (means,)))
    ambient = of("ambient_temperature")
    bulb = wet_bulb_degc(ambient, of("relative_humidity"), plan.barometric_kpa[rows])
    load = of("heat_load") / plan.rated_capacity_kw[rows]
    load = np.where(load >= LEAST_LOAD_FRAC, load, np.nan)
    sends_load = not np.isnan(of("heat_load")).all()
    witness = {
        **_pump(plan, rows, means, running),
        **_heat(plan, rows, means, wet, air, bulb, load if sends_load else np.ones(n)),
        **_water(plan, rows, means, running),
    }
    return _by_hour(means.start_ms, wet, ambient, load, air, witness)


def alike(before: Hours, after: Hours, quantity: str) -> tuple[Hours, Hours]:
    """The hours of both sides that tell a witness and have a like on the other, in order of time.

    Alike is in mode, weather, airflow and load; in the hour of the day where no load is known.
    """
    b = before.only(~np.isnan(before.witness[quantity]))
    a = after.only(~np.isnan(after.witness[quantity]))
    fits = _near(b.wet, a.wet, 0.5)
    fits &= _near(b.ambient_degc, a.ambient_degc, AMBIENT_K)
    fits &= _near(b.airflow_frac, a.airflow_frac, AIRFLOW_FRAC)
    fits &= _near(b.load_frac, a.load_frac, LOAD_FRAC)
    if np.isnan(b.load_frac).all() and np.isnan(a.load_frac).all():
        clock_b, clock_a = (x.start_ms / HOUR_MS % 24.0 for x in (b, a))
        apart = np.abs(clock_b[:, None] - clock_a[None, :])
        fits &= np.minimum(apart, 24.0 - apart) <= CLOCK_H
    return b.only(np.asarray(fits.any(axis=1))), a.only(np.asarray(fits.any(axis=0)))


def _near(b: F64, a: F64, within: float) -> Bool:
    """Which pairs are that near; what neither side ever knows does not count."""
    if np.isnan(b).all() and np.isnan(a).all():
        return np.ones((len(b), len(a)), dtype=np.bool_)
    near: Bool = np.abs(b[:, None] - a[None, :]) <= within
    return near


def _held(flag: Bool, start_ms: I64, bins: int = SETTLED_BINS) -> Bool:
    """Where a flag has held through the last ``bins`` means without a gap."""
    out = flag.copy()
    for back in range(1, bins):
        before = np.zeros(len(flag), dtype=np.bool_)
        before[back:] = flag[:-back] & (start_ms[back:] - start_ms[:-back] == back * BIN_MS)
        out &= before
    return out


def _steady_pump(plan: FleetPlan, rows: I64, means: Means) -> F64:
    """1 running, 0 at rest, NaN in between or not known.

    Where no current is sent, the controller's word is taken, as it is live; a unit that sends
    neither is not compared.
    """
    column = INDEX["pump_current"]
    frac = plan.settings.get(FLEET, "pump_running_frac", rows)
    limit = frac * plan.pump_rated_current_a[rows]
    if np.isnan(means.high[:, column]).all():
        column, limit = INDEX["pump_command"], np.full(len(rows), 0.5)
    on = _held(means.low[:, column] > limit, means.start_ms)
    off = _held(means.high[:, column] <= limit, means.start_ms)
    return np.where(on, 1.0, np.where(off, 0.0, np.nan))


def _mode(means: Means, running: F64) -> F64:
    column = INDEX["wet_mode"]
    if np.isnan(means.mean[:, column]).all():
        return running
    wet = _held(means.low[:, column] > 0.5, means.start_ms)
    dry = _held(means.high[:, column] < 0.5, means.start_ms)
    # Wet without a running pump is no wet running.
    wet &= running != 0.0
    return np.where(wet, 1.0, np.where(dry, 0.0, np.nan))


def _airflow(plan: FleetPlan, rows: I64, means: Means, fans: Fans) -> F64:
    if not fans.told:
        return np.full(len(rows), np.nan)
    mask, speed = _still_mask(means), means.mean[:, INDEX["fan_speed"]]
    staged = np.full(len(rows), float(fans.staged))
    moves = bool((means.high[:, INDEX["fan_speed"]] > 0.0).any())
    air = fan_capacity_of(mask, speed, plan.fan_count[rows], staged, moves=moves)
    never = np.isnan(means.high[:, INDEX["fan_run"]]).all()
    return np.where(np.isnan(mask) & ~never, np.nan, air)


def _pump(plan: FleetPlan, rows: I64, means: Means, running: F64) -> dict[str, F64]:
    def steady(name: str) -> F64:
        return np.where(running == 1.0, means.mean[:, INDEX[name]], np.nan)

    voltage, current = steady("supply_voltage"), steady("pump_current")
    rated = plan.pump_rated_current_a[rows]
    at_rated = current_at_rated_voltage_a(
        current, voltage, plan.pump_rated_voltage_v[rows], rated, plan.pump_magnetising_frac[rows]
    )
    current = np.where(np.isnan(voltage), current, at_rated)
    pressure, meter = steady("spray_pressure"), steady("spray_flow")
    by_current, _ = flow_estimate(
        current / rated, plan.pump_magnetising_frac[rows], plan.pump_shutoff_frac[rows], 0.0
    )
    metered = meter / plan.pump_rated_flow_l_min[rows]
    flow = np.where(np.isnan(meter), by_current, metered)
    with np.errstate(invalid="ignore", divide="ignore"):
        opening = flow / np.sqrt(pressure / plan.pump_rated_pressure_kpa[rows])
    return {
        "spray_pressure": pressure, "spray_flow": meter, "pump_current": current,
        "opening": np.where(pressure > 0.0, opening, np.nan),
    }  # fmt: skip


def _heat(
    plan: FleetPlan, rows: I64, means: Means, wet: F64, air: F64, bulb: F64, load: F64
) -> dict[str, F64]:
    pressure = means.mean[:, INDEX["head_pressure"]]
    ambient = means.mean[:, INDEX["ambient_temperature"]]
    air = np.where(air >= LEAST_AIRFLOW_FRAC, air, np.nan)
    over, rate = over_ambient_k(plan, rows, pressure, ambient, air, load)
    shift = plan.pad_effectiveness_frac[rows] * (ambient - bulb) * rate
    drop = means.mean[:, INDEX["pad_pressure_drop"]]
    return {
        "td_dry": np.where(wet == 0.0, over, np.nan),
        "td_wet": np.where(wet == 1.0, over + shift, np.nan),
        "pad_pressure_drop": np.where((wet == 1.0) & (air >= 0.5), drop / air**2, np.nan),
    }


def _water(plan: FleetPlan, rows: I64, means: Means, running: F64) -> dict[str, F64]:
    level = means.mean[:, INDEX["basin_level"]]
    shut = (running == 0.0) & (level >= plan.float_shut_mm[rows])
    conductivity = means.mean[:, INDEX["conductivity"]]
    intended = plan.target_cycles[rows] * plan.makeup_us_cm[rows]
    return {
        "leak": np.where(shut, means.mean[:, INDEX["makeup_flow"]], np.nan),
        "off_intended": np.where(running == 1.0, np.abs(conductivity - intended), np.nan),
    }


def _by_hour(
    start_ms: I64, wet: F64, ambient: F64, load: F64, air: F64, witness: dict[str, F64]
) -> Hours:
    """Medians by hour and mode."""
    hour = start_ms // HOUR_MS
    mode = np.where(np.isnan(wet), 2, wet).astype(np.int64)
    keys, place, count = np.unique(hour * 3 + mode, return_inverse=True, return_counts=True)
    good = count >= LEAST_BINS
    index = [np.flatnonzero(place == i) for i in np.flatnonzero(good)]

    def middle(values: F64) -> F64:
        out = np.full(len(index), np.nan)
        for i, at in enumerate(index):
            known = values[at][~np.isnan(values[at])]
            if len(known) >= LEAST_BINS:
                out[i] = np.median(known)
        return out

    modes = keys[good] % 3
    return Hours(
        keys[good] // 3 * HOUR_MS, np.where(modes == 2, np.nan, modes.astype(np.float64)),
        middle(ambient), middle(load), middle(air),
        {name: middle(values) for name, values in witness.items()},
    )  # fmt: skip
