"""The water and solids balance of a unit, run along with its readings over the last hours.

Two independent ways lead to the water that leaves a running basin as liquid: from the make-up
meter, and from the evaporation that weather, pads and airflow give. Each comes with its standard
deviation; what cannot be worked out is NaN. A bleed that is timed looks like its mean.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.physics.robust import line_fit
from rules.physics.water_balance import (
    bleed_for_cycles_l_min,
    float_valve_flow_l_min,
    no_bleed_slope_us_cm_h,
    volume_l,
)
from rules.physics.water_observer import (
    bleed_from_evaporation_l_min,
    bleed_from_makeup_l_min,
    makeup_conductivity_from_flows_us_cm,
    makeup_from_balance_l_min,
)
from rules.plan import FleetPlan
from rules.signals import INDEX
from rules.state import BIN_MS
from rules.water_windows import (
    Windows,
    mean,
    mean_error,
    missed_in_gulps,
    steady_slope,
    wet_running,
    windows_of,
    without_leaps,
)

if TYPE_CHECKING:
    from rules.bins import BinView
    from rules.look import UnitLook

__all__ = [
    "BALANCE_BINS",
    "MakeupSource",
    "Watched",
    "WaterBalance",
    "Windows",
    "balance_of",
    "balance_of_look",
    "most_makeup_l_min",
    "watch",
    "water_balance",
    "wet_running",
]

_HUMIDITY: Final = INDEX["relative_humidity"]
BALANCE_BINS: Final = 24
"""Two hours: longer than a timed bleed's usual hour, short against the hours a basin takes."""
LEAST_BINS: Final = 10
"""Running means needed, of those."""
LEAST_RUN_FRAC: Final = 0.75
"""Least share of running time from the first running mean on: with pauses no line fits."""

EVAPORATION_ERROR_FRAC: Final = 0.2
"""Uncertainty of evaporation from weather, nameplate airflow and effectiveness (judgement)."""
HUMIDITY_ERROR_PCT: Final = 3.0
"""Uncertainty of a relative humidity in service (common practice). Evaporation goes with what air
lacks to saturation: at 92 % this is three eighths of it."""
METER_ERROR_FRAC: Final = 0.05
"""Uncertainty of a small water meter in service (judgement: twice the maximum permissible error
of a class 2 meter in service, 4 %, is hardly ever passed; OIML R 49, from memory)."""
METER_CREEP_FRAC: Final = 0.01
"""Error of a make-up meter whatever flows, of the valve's full flow: below a hundredth of their
permanent flow meters of ratio 100 are bound to nothing (OIML R 49, from memory)."""
MISSED_FRAC: Final = 0.3
"""Share of a metered make-up that may have been missed between readings for it to stand for the
evaporation: little more than the weather's own uncertainty (judgement)."""
METER_ZERO_FRAC: Final = 0.03
"""Share of the make-up valve's full flow below which a make-up meter counts as showing no flow."""
METER_ZERO_L_MIN: Final = 0.05
"""Flow below which any meter counts as showing none: starting flow of small meters."""
VOLUME_ERROR_FRAC: Final = 0.1
"""Uncertainty of the water in circulation: basin corners, pads and pipes (judgement)."""
MAKEUP_ERROR_FRAC: Final = 0.1
"""Ordinary variation of the make-up's conductivity about the site file's figure (judgement)."""
EVAPORATION_SDS: Final = 1.25
LEAST_MAKEUP_FRAC: Final = 0.85
"""Both errors against it, each at about one and a half of its standard deviations."""
FLOAT_ERROR_FRAC: Final = 0.2
"""Spread of a float valve's full flow with the supply pressure (common practice)."""
FLOAT_LEVEL_ERROR_MM: Final = 5.0
"""Uncertainty of the level against the float: transmitter, waves, the float's own play (common
practice)."""
LEAST_CLIMB_FRAC_H: Final = 0.02
"""With less than 2 % climb an hour to expect, noise decides (judgement)."""


class MakeupSource(IntEnum):
    """How the make-up was come by: the codes of :attr:`WaterBalance.makeup_from`."""

    NONE = 0
    METER = 1
    BALANCE = 2
    FLOAT = 3


@dataclass(frozen=True)
class WaterBalance:
    """What the balances say of some units, arrays (m,); ``*_sd`` are standard deviations.

    ``bleed_*`` is all water that leaves as liquid, implied by the solids: by the better of both
    ways, and ``bleed_low_l_min`` with the errors against it. ``climb_frac`` is the climb of the
    conductivity over that with no bleed;
    ``steady_climb_frac`` is the same by the median of half-hour climbs, which no step moves.
    ``makeup_most_l_min`` is the most that may have come in, by the meter or the float's position.
    ``makeup_surely_most_l_min`` is the same with the float wide open, whatever it is set to.
    ``makeup_thinning_l_min`` is the least that thins the water as fast as the reading falls; it
    asks for no evaporation, since pads that do not wet evaporate nothing.
    ``makeup_us_cm`` is the make-up's conductivity by the meters, where there are both and no other
    water leaves.
    ``makeup_by_weather_us_cm`` is the same by the make-up meter and the evaporation: what is not
    evaporated leaves as liquid, whatever the way.
    ``makeup_low_us_cm`` is the least that the make-up must have for the water to concentrate as
    fast as it does. Flows in L/min, slopes in µS/cm or mm an hour.
    """

    running: Bool
    """Enough of the window was wet running with conductivity measured."""
    conductivity_us_cm: F64
    slope_us_cm_h: F64
    slope_sd: F64
    level_rate_mm_h: F64
    volume_l: F64
    evaporation_l_min: F64
    makeup_metered_l_min: F64
    bleed_metered_l_min: F64
    no_bleed_slope_us_cm_h: F64
    climb_frac: F64
    climb_frac_sd: F64
    steady_climb_frac: F64
    bleed_l_min: F64
    bleed_sd: F64
    bleed_low_l_min: F64
    bleed_wanted_l_min: F64
    makeup_l_min: F64
    makeup_from: I64
    makeup_most_l_min: F64
    makeup_surely_most_l_min: F64
    makeup_thinning_l_min: F64
    makeup_us_cm: F64
    makeup_us_cm_sd: F64
    makeup_by_weather_us_cm: F64
    makeup_by_weather_sd: F64
    makeup_low_us_cm: F64


def water_balance(plan: FleetPlan, rows: I64, windows: Windows) -> WaterBalance:
    """The balances over a window that ends now.

    Parameters
    ----------
    plan : FleetPlan
        Nameplates.
    rows : (m,) array
        The units.
    windows : Windows
        Their traces.

    Returns
    -------
    WaterBalance
    """
    bins = windows.conductivity.shape[-1]
    wet = wet_running(windows)
    used = wet & ~np.isnan(windows.conductivity)
    hours = np.broadcast_to(np.arange(bins) * (BIN_MS / 3_600_000.0), used.shape)
    first = np.where(used.any(axis=-1), used.argmax(axis=-1), bins)
    running = used.sum(axis=-1) >= np.maximum(LEAST_BINS, LEAST_RUN_FRAC * (bins - first))
    slope, slope_sd, middle = line_fit(hours, np.where(used, windows.conductivity, np.nan))
    slope, slope_sd, middle = (np.where(running, a, np.nan) for a in (slope, slope_sd, middle))
    levels = without_leaps(np.where(used, windows.level_running, np.nan))
    *rises, level = line_fit(hours, levels)
    rise, rise_sd = (np.where(np.isnan(a), 0.0, a) for a in rises)
    level = np.where(np.isnan(level), plan.float_shut_mm[rows], level)
    area, c_m = plan.area_m2[rows], plan.makeup_us_cm[rows]
    volume = volume_l(level, area, area * plan.pull_down_mm[rows])

    evaporation = mean(np.where(used, windows.evaporation, np.nan), LEAST_BINS)
    makeup = mean(np.where(wet, windows.makeup_flow, np.nan), LEAST_BINS)
    missed = _missed(plan, rows, np.where(wet, windows.makeup_flow, np.nan))
    bleed = mean(np.where(wet, windows.bleed_flow, np.nan), LEAST_BINS)
    wanted = bleed_for_cycles_l_min(evaporation, plan.target_cycles[rows])

    damp, error = _evaporation_errors(windows, len(rows))
    metered = bleed_from_makeup_l_min(makeup, middle, c_m, volume, slope, rise, area)
    stored_sd = volume * np.hypot(slope_sd, VOLUME_ERROR_FRAC * slope) / 60.0
    with np.errstate(divide="ignore", invalid="ignore"):
        metered_sd = np.hypot(METER_ERROR_FRAC, MAKEUP_ERROR_FRAC) * makeup
        metered_sd = np.hypot(np.hypot(metered_sd, missed) * c_m, stored_sd) / middle
        weather = bleed_from_evaporation_l_min(evaporation, middle, c_m, volume, slope, rise, area)
        # An error of C_m moves the numerator by E and the denominator by one.
        by_makeup = MAKEUP_ERROR_FRAC * c_m * np.abs(evaporation + weather)
        weather_sd = np.hypot(np.hypot(error * evaporation * c_m, by_makeup), stored_sd) / (
            middle - c_m
        )
        no_bleed = no_bleed_slope_us_cm_h(c_m, volume, evaporation)
        # With the bleed shut all make-up replaces evaporation, so the meter serves as well.
        well_read = np.where(missed <= MISSED_FRAC * makeup, np.maximum(makeup, 0.0), np.nan)
        no_bleed = np.where(
            np.isnan(no_bleed), no_bleed_slope_us_cm_h(c_m, volume, well_read), no_bleed
        )
        speaks = no_bleed >= LEAST_CLIMB_FRAC_H * middle
        climb = np.where(speaks, slope / no_bleed, np.nan)
        climb_sd = np.where(speaks, slope_sd / no_bleed, np.nan)
        weather = np.where(speaks, weather, np.nan)
    steady = steady_slope(
        np.where(used & speaks[:, None], windows.conductivity, np.nan), LEAST_BINS
    )
    by_meter = ~np.isnan(metered) & ~(weather_sd < metered_sd)
    best, best_sd = np.where(by_meter, [metered, metered_sd], [weather, weather_sd])
    # Near one cycle the answer hangs on the make-up's conductivity in a way that no standard
    # deviation describes: the least is worked out with both errors against it.
    # Without weather nothing evaporates at the least: what then thins the water still left.
    least_share = np.maximum(1.0 - EVAPORATION_SDS * error, 0.0)
    least_weather = bleed_from_evaporation_l_min(
        np.where(np.isnan(evaporation), 0.0, least_share * evaporation), middle,
        LEAST_MAKEUP_FRAC * c_m, volume, slope + 2.0 * slope_sd, rise, area,
    )  # fmt: skip
    least_bleed = np.where(by_meter, metered - 2.0 * metered_sd, least_weather)

    implied = makeup_from_balance_l_min(rise, evaporation, np.maximum(best, 0.0), area)
    by_float = float_valve_flow_l_min(
        level, plan.float_shut_mm[rows], plan.float_band_mm[rows], plan.makeup_max_l_min[rows]
    )
    has_level = running & ~np.isnan(windows.level_running).all(axis=-1)
    source, made_up = _made_up(makeup, implied, np.where(has_level, by_float, np.nan))

    at_most, surely = (
        most_makeup_l_min(plan, rows, at, makeup + 2.0 * missed)
        for at in (np.where(has_level, level, np.nan), np.zeros(len(rows)))
    )

    by_meters, by_weather = _makeup_implied(
        plan,
        rows,
        windows,
        wet,
        (
            middle,
            volume,
            slope,
            rise,
            np.hypot(
                np.hypot(stored_sd, _dosed(slope, steady) * volume / 60.0),
                rise_sd * area / 60.0 * middle,
            ),
        ),
        ((makeup, missed), (evaporation, error)),
    )
    climbed = np.fmin(slope - 2.0 * slope_sd, steady) * volume / 60.0
    lowest = _least_makeup_us_cm(
        climbed, (rise - 2.0 * rise_sd) * area / 60.0, middle, evaporation * (1.0 + 2.0 * damp)
    )
    return WaterBalance(
        running=running,
        conductivity_us_cm=middle,
        slope_us_cm_h=slope,
        slope_sd=slope_sd,
        level_rate_mm_h=rise,
        volume_l=volume,
        evaporation_l_min=evaporation,
        makeup_metered_l_min=makeup,
        bleed_metered_l_min=bleed,
        no_bleed_slope_us_cm_h=no_bleed,
        climb_frac=climb,
        climb_frac_sd=climb_sd,
        steady_climb_frac=np.where(running, steady / no_bleed, np.nan),
        bleed_l_min=best,
        bleed_sd=best_sd,
        bleed_low_l_min=least_bleed,
        bleed_wanted_l_min=wanted,
        makeup_l_min=made_up,
        makeup_from=source,
        makeup_most_l_min=at_most,
        makeup_surely_most_l_min=surely,
        makeup_thinning_l_min=_thinning_l_min(
            middle, c_m, volume, slope + 2.0 * slope_sd, (rise, area)
        ),
        makeup_us_cm=np.where(running, by_meters[0], np.nan),
        makeup_us_cm_sd=by_meters[1],
        makeup_by_weather_us_cm=np.where(running, by_weather[0], np.nan),
        makeup_by_weather_sd=by_weather[1],
        makeup_low_us_cm=lowest,
    )


def _dosed(slope: F64, steady: F64) -> F64:
    """How far a line's slope is above the half-hourly climbs, (m,). [µS/cm an hour]

    A dose of chemicals lifts the reading within minutes, and the line through all of them with it.
    """
    return np.fmax(np.nan_to_num(slope - steady), 0.0)


def _thinning_l_min(
    middle: F64, c_m: F64, volume: F64, slope: F64, rise_of_area: tuple[F64, F64]
) -> F64:
    """The least make-up that thins the water by ``slope``, all errors against it, (m,)."""
    rise, area = rise_of_area
    least_l = (1.0 - 2.0 * VOLUME_ERROR_FRAC) * volume
    # What leaves if nothing evaporates was replaced; water that only sinks thins nothing.
    leaves = bleed_from_evaporation_l_min(
        0.0, middle, LEAST_MAKEUP_FRAC * c_m, least_l, slope, rise, area
    )
    return leaves + rise * area / 60.0


def _missed(plan: FleetPlan, rows: I64, makeup: F64) -> F64:
    """Standard error of the metered make-up in a window, (m,): what came between its readings."""
    full = plan.makeup_max_l_min[rows]
    return missed_in_gulps(makeup, np.maximum(METER_ZERO_FRAC * full, METER_ZERO_L_MIN), full)


def _made_up(by_meter: F64, by_balance: F64, by_float: F64) -> tuple[I64, F64]:
    """The best of three ways to the make-up, and which it is, (m,)."""
    source = np.full(len(by_meter), MakeupSource.NONE, dtype=np.int64)
    made_up = np.full(len(by_meter), np.nan)
    for code, flow in (
        (MakeupSource.FLOAT, by_float), (MakeupSource.BALANCE, by_balance),
        (MakeupSource.METER, by_meter),
    ):  # fmt: skip
        source = np.where(np.isnan(flow), source, code)
        made_up = np.where(np.isnan(flow), made_up, flow)
    return source, made_up


def _evaporation_errors(windows: Windows, n: int) -> tuple[F64, F64]:
    """Relative uncertainty of the evaporation: by the humidity alone, and in all, (m,)."""
    humidity = np.zeros(n) if windows.humidity_pct is None else windows.humidity_pct
    humidity = np.where(np.isnan(humidity), 0.0, humidity)
    damp = HUMIDITY_ERROR_PCT / np.maximum(100.0 - humidity, HUMIDITY_ERROR_PCT)
    return damp, np.hypot(EVAPORATION_ERROR_FRAC, damp)


def _least_makeup_us_cm(climbed: F64, stored: F64, middle: F64, evaporation: F64) -> F64:
    r"""The least make-up conductivity that explains the climb, (m,).

    .. math:: C_m = \frac{V \dot C + A \dot h\, C}{E + A \dot h}

    is the solids balance without a bleed; each litre bled would ask for more. What a falling level
    gives up was not made up: it concentrates by the basin's own solids. ``climbed`` is the first
    term, ``stored`` the rise of the water, at the least; ``evaporation`` at the most.
    """
    came_in = evaporation + stored
    known = (evaporation > 0.0) & (came_in >= LEAST_MADE_UP_FRAC * evaporation)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(known, (climbed + stored * middle) / came_in, np.nan)


LEAST_MADE_UP_FRAC: Final = 0.5
"""Share of what evaporates that must have come in for its solids to show (judgement)."""


def _makeup_implied(
    plan: FleetPlan,
    rows: I64,
    windows: Windows,
    wet: Bool,
    solids: tuple[F64, F64, F64, F64, F64],
    flows: tuple[tuple[F64, F64], tuple[F64, F64]],
) -> tuple[tuple[F64, F64], tuple[F64, F64]]:
    """The make-up's conductivity with its standard deviation: by both meters, and by one.

    ``solids`` are mean conductivity, volume, slope, rise of the level, and the error of what is
    stored; ``flows`` make-up and evaporation, each with its error.
    """
    disturbed = _is_disturbed(plan, rows, windows, solids[0])
    both = _makeup_by_meters(plan, rows, windows, wet, solids)
    one = _makeup_by_weather(plan, rows, solids, *flows)
    return (np.where(disturbed, np.nan, both[0]), both[1]), (
        np.where(disturbed, np.nan, one[0]), one[1]
    )  # fmt: skip


def _makeup_by_meters(
    plan: FleetPlan, rows: I64, windows: Windows, wet: Bool, solids: tuple[F64, F64, F64, F64, F64]
) -> tuple[F64, F64]:
    """The make-up's conductivity by both meters, and its standard deviation."""
    middle, volume, slope, rise, stored_sd = solids
    makeup_window = np.where(wet, windows.makeup_flow, np.nan)
    bleed_window = np.where(wet, windows.bleed_flow, np.nan)
    makeup, bleed = mean(makeup_window, LEAST_BINS), mean(bleed_window, LEAST_BINS)
    least = np.maximum(METER_ZERO_FRAC * plan.makeup_max_l_min[rows], METER_ZERO_L_MIN)
    flowing = np.where(makeup >= least, makeup, np.nan)
    implied = makeup_conductivity_from_flows_us_cm(
        flowing, bleed, middle, volume, slope, rise, plan.area_m2[rows]
    )
    bleed_sd = np.hypot(METER_ERROR_FRAC * bleed, mean_error(bleed_window))
    creep = METER_CREEP_FRAC * plan.makeup_max_l_min[rows]
    makeup_sd = np.hypot(METER_ERROR_FRAC * flowing, creep)
    makeup_sd = np.hypot(makeup_sd, _missed(plan, rows, makeup_window))
    # The question is whether it can be the site file's water: so much would come in of that.
    most = np.fmax(implied, plan.makeup_us_cm[rows])
    error = np.hypot(np.hypot(bleed_sd * middle, stored_sd), makeup_sd * most) / flowing
    # Water that leaves past the bleed meter, over the lip or through a leak, would be taken for
    # soft make-up. With the weather known, all make-up must be accounted for.
    stored = rise * plan.area_m2[rows] / 60.0
    evaporation = mean(np.where(wet, windows.evaporation, np.nan), LEAST_BINS)
    strays = makeup - stored > bleed + (1.0 + 2.0 * EVAPORATION_ERROR_FRAC) * evaporation
    unproven = np.isnan(evaporation) & (implied < plan.makeup_us_cm[rows])
    return np.where(strays | unproven, np.nan, implied), error


def _makeup_by_weather(
    plan: FleetPlan,
    rows: I64,
    solids: tuple[F64, F64, F64, F64, F64],
    makeup_and_missed: tuple[F64, F64],
    evaporation_and_error: tuple[F64, F64],
) -> tuple[F64, F64]:
    r"""The make-up's conductivity by its meter and the evaporation, and its standard deviation.

    .. math:: C_m = \frac{(M - E)\,C + V \dot C}{M}

    Where far more comes in than evaporates the basin holds little else than make-up, and what the
    evaporation is off by hardly counts.
    """
    middle, volume, slope, rise, stored_sd = solids
    makeup, missed = makeup_and_missed
    evaporation, error = evaporation_and_error
    full, area = plan.makeup_max_l_min[rows], plan.area_m2[rows]
    least = np.maximum(METER_ZERO_FRAC * full, METER_ZERO_L_MIN)
    flowing = np.where(makeup >= least, makeup, np.nan)
    bleed = np.maximum(flowing - evaporation - rise * area / 60.0, 0.0)
    implied = makeup_conductivity_from_flows_us_cm(
        flowing, bleed, middle, volume, slope, rise, area
    )
    makeup_sd = np.hypot(np.hypot(METER_ERROR_FRAC * flowing, METER_CREEP_FRAC * full), missed)
    by_flows = np.hypot(error * evaporation * middle, makeup_sd * np.abs(middle - implied))
    return implied, np.hypot(by_flows, stored_sd) / flowing


def _is_disturbed(plan: FleetPlan, rows: I64, windows: Windows, middle: F64) -> Bool:
    """Basins that may run over, or whose reading stepped, (m,): ``middle`` is its mean."""
    spills = mean(windows.level_running, 1) > plan.overflow_mm[rows] - LIP_MM
    # A reading that steps was touched, plugged in or dosed at: the step is no climb.
    steps = np.abs(np.diff(windows.conductivity, axis=-1))
    stepped = np.where(np.isnan(steps), 0.0, steps).max(axis=-1) > STEP_FRAC * middle
    disturbed: Bool = spills | stepped
    return disturbed


STEP_FRAC: Final = 0.25
"""Change from one mean to the next, of the mean reading, that no basin's water makes: a whole one
changes by a few per cent in five minutes."""
LIP_MM: Final = 5.0
"""Closeness to the overflow at which water may run over it."""


def most_makeup_l_min(plan: FleetPlan, rows: I64, level: F64, makeup: F64) -> F64:
    """The most make-up that may have come in, (m,) [L/min].

    By the meter, ``makeup`` [L/min]; where that is NaN by the float's position, ``level`` [mm]; NaN
    where neither is known.
    """
    by_float = (1.0 + FLOAT_ERROR_FRAC) * float_valve_flow_l_min(
        np.maximum(level - FLOAT_LEVEL_ERROR_MM, 0.0),
        plan.float_shut_mm[rows],
        plan.float_band_mm[rows],
        plan.makeup_max_l_min[rows],
    )
    return np.where(np.isnan(makeup), by_float, (1.0 + 2.0 * METER_ERROR_FRAC) * makeup)


def balance_of(view: BinView, bins: int = BALANCE_BINS) -> WaterBalance:
    """The balance of all units of a view."""
    humidity = view.state.value[view.rows, _HUMIDITY]
    windows = windows_of(lambda name: view.trace(name, bins), humidity)
    return water_balance(view.plan, view.rows, windows)


def balance_of_look(look: UnitLook, bins: int = BALANCE_BINS) -> WaterBalance:
    """The balance of one unit; arrays of length one."""
    row = np.array([look.row])
    windows = windows_of(
        lambda name: look.trace(name, bins)[None, :], look.state.value[row, _HUMIDITY]
    )
    return water_balance(look.plan, row, windows)


@dataclass(frozen=True)
class Watched:
    """The units of a view whose balance can matter now: ``index`` is their place in it."""

    index: I64
    view: BinView

    @cached_property
    def balance(self) -> WaterBalance:
        """Their balance; ask only if there are any."""
        return balance_of(self.view)


def watch(view: BinView) -> Watched:
    """The balance of the units that run wet with unusual water, or with both meters.

    The others, most of a fleet, cannot have a fault that only the balance shows.
    """
    plan, rows = view.plan, view.rows
    intended = plan.target_cycles[rows] * plan.makeup_us_cm[rows]
    conductivity = view.recent["conductivity"]
    unusual = (conductivity > WATCH_ABOVE * intended) | (conductivity < WATCH_BELOW * intended)
    metered = ~np.isnan(view.recent["makeup_flow"]) & ~np.isnan(view.recent["bleed_flow"])
    matters = (view.state.pump_state[rows] == 1) & (unusual | (metered & ~np.isnan(conductivity)))
    index = np.flatnonzero(matters)
    return Watched(index, view.only(index))


WATCH_ABOVE: Final = 1.05
WATCH_BELOW: Final = 0.75
"""Conductivity over the intended between which only meters can show a fault of the water."""
