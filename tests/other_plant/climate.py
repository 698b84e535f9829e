"""Weather of the invented sites: seasons, fronts, days and nights, and the air's moisture.

Dry bulb and dew point are drawn at random; everything that follows from them is asked of psychrolib
at quarter hours and interpolated, so that no moist-air formula is written here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import psychrolib
from numpy.typing import NDArray

__all__ = ["CLIMATES", "Climate", "Weather", "weather"]

Array = NDArray[np.float64]
GRID_S: Final = 900.0


@dataclass(frozen=True)
class Climate:
    """A climate over one campaign: mean at the start, drift, daily swing, fronts; [°C], [K]."""

    name: str
    time_zone: str
    utc_offset_h: float
    elevation_m: float
    mean_degc: float
    drift_k_week: float
    swing_k: float
    fronts_k: float
    dew_point_degc: float
    wet_on_degc: float
    """Dry bulb at which units of such a site go over to wet running."""
    wet: bool
    """Whether one can count on wet running on most days of the campaign."""


CLIMATES: Final = (
    Climate("hot-dry", "America/Phoenix", -7, 420, 31.0, -0.5, 8.5, 1.8, 5.0, 24.0, wet=True),
    Climate("temperate", "Europe/Lisbon", 1, 90, 20.0, -0.7, 6.5, 2.6, 9.0, 17.0, wet=True),
    Climate("cold", "America/Edmonton", -6, 760, 9.5, -1.5, 6.5, 2.6, -1.0, 12.5, wet=False),
    Climate("hot-humid", "Asia/Singapore", 8, 15, 29.0, -0.2, 4.5, 1.0, 20.5, 25.0, wet=True),
)


@dataclass(frozen=True)
class Weather:
    """Series on the step grid, each (steps,): dry and wet bulb [°C], RH [%], moisture [kg/kg]."""

    dry_bulb_degc: Array
    wet_bulb_degc: Array
    rh_pct: Array
    humidity_ratio: Array
    saturated_ratio: Array
    """Humidity ratio of saturated air at the wet bulb."""
    pressure_pa: float

    def cut(self, part: slice) -> Weather:
        """The same over some of the steps."""
        return Weather(
            self.dry_bulb_degc[part], self.wet_bulb_degc[part], self.rh_pct[part],
            self.humidity_ratio[part], self.saturated_ratio[part], self.pressure_pa,
        )  # fmt: skip


@lru_cache(maxsize=400_000)
def _moist(t_tenths: int, dew_tenths: int, elevation_m: float) -> tuple[float, float, float, float]:
    psychrolib.SetUnitSystem(psychrolib.SI)
    p = psychrolib.GetStandardAtmPressure(elevation_m)
    t, dew = t_tenths / 10, min(dew_tenths, t_tenths) / 10
    w = psychrolib.GetHumRatioFromTDewPoint(dew, p)
    wb = psychrolib.GetTWetBulbFromHumRatio(t, w, p)
    return wb, w, psychrolib.GetSatHumRatio(wb, p), 100 * psychrolib.GetRelHumFromHumRatio(t, w, p)


def weather(
    climate: Climate, start_s: float, times_s: Array, rng: np.random.Generator, hot_spell: bool
) -> Weather:
    """The weather at ``times_s`` (seconds since ``start_s``, an epoch) of one site."""
    grid = np.arange(0.0, times_s[-1] + 2 * GRID_S, GRID_S)
    day = grid / 86_400
    hour = (start_s + grid) / 3600 % 24 + climate.utc_offset_h
    fronts = _wander(grid.size, GRID_S, 2.2 * 86_400, climate.fronts_k, rng)
    swing = climate.swing_k * (1 + _wander(grid.size, GRID_S, 86_400, 0.2, rng))
    warm = np.cos(2 * np.pi * (hour - 15.5) / 24) + 0.2 * np.cos(4 * np.pi * (hour - 14) / 24)
    t = climate.mean_degc + climate.drift_k_week * day / 7 + fronts + swing * warm
    t += _wander(grid.size, GRID_S, 3600, 0.3, rng)
    if hot_spell:
        middle, width = rng.uniform(0.4, 0.8) * day[-1], 1.6
        t += rng.uniform(5, 8) * np.exp(-(((day - middle) / width) ** 2))
    dew = climate.dew_point_degc + 0.5 * (climate.drift_k_week * day / 7 + fronts)
    dew = np.minimum(dew + _wander(grid.size, GRID_S, 86_400, 1.5, rng), t - 0.3)
    rows = [
        _moist(int(a), int(b), climate.elevation_m)
        for a, b in zip(np.rint(t * 10), np.rint(dew * 10), strict=True)
    ]
    wb, w, ws, rh = np.array(rows).T
    psychrolib.SetUnitSystem(psychrolib.SI)

    def at(series: Array) -> Array:
        return np.interp(times_s, grid, series)

    return Weather(
        at(t), np.minimum(at(wb), at(t)), at(rh), at(w), np.maximum(at(ws), at(w)),
        psychrolib.GetStandardAtmPressure(climate.elevation_m),
    )  # fmt: skip


def _wander(n: int, step_s: float, memory_s: float, sd: float, rng: np.random.Generator) -> Array:
    """A first-order autoregressive series of that memory and standard deviation."""
    return wander(n, step_s, memory_s, rng) * sd


def wander(n: int, step_s: float, memory_s: float, rng: np.random.Generator) -> Array:
    """Correlated noise (n,) of unit standard deviation, memory ``memory_s``."""
    from scipy.signal import lfilter

    a = float(np.exp(-step_s / memory_s))
    drive = rng.standard_normal(n) * np.sqrt(1 - a * a)
    if n:
        drive[0] = rng.standard_normal()
    return np.asarray(lfilter([1.0], [1.0, -a], drive), dtype=np.float64)
