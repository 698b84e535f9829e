"""Weather and cooling load of each site as functions of time and seed alone.

Season, day, passing fronts and gusts add up to the dry bulb; the dew point follows the air mass, so
humidity swings against temperature as it does outdoors. Climates are invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from simulator import air
from simulator.fleet import SitePlate
from simulator.noise import smooth_noise, stream_of, uniform_of

__all__ = ["CLIMATE_KEYS", "Climate", "WeatherBlock", "load_frac", "local_hour", "weather"]

FloatArray = NDArray[np.float64]

_YEAR_S = 365.2425 * 86_400.0


@dataclass(frozen=True)
class Climate:
    """A site's climate.

    ``hottest_day`` is the day of the year; None keeps the site at its warmest season whatever
    the date, for demonstrations that must show wet running in winter too.
    """

    mean_degc: float = 16.0
    season_k: float = 8.0
    day_k: float = 6.0
    front_k: float = 2.5
    dew_depression_k: float = 12.0
    hottest_day: float | None = 205.0


CLIMATE_KEYS: Final = frozenset(Climate.__dataclass_fields__)


@dataclass(frozen=True)
class WeatherBlock:
    """Columns (k times, n sites); pressure (n,). Wet bulb and humidity follow from the rest."""

    dry_degc: FloatArray
    rh_pct: FloatArray
    wet_bulb_degc: FloatArray
    density_kg_m3: FloatArray
    saturation_rise: FloatArray
    """Humidity ratio at the wet bulb less that of the air: what fully saturating pads would add."""


def local_hour(sites: Sequence[SitePlate], time_s: FloatArray) -> FloatArray:
    """Local clock time of each site, (k, n). [h, 0 to 24]"""
    days = np.floor(time_s / 86_400.0).astype(np.int64)
    unique, inverse = np.unique(days, return_inverse=True)
    offsets = np.empty((len(unique), len(sites)))
    for i, day in enumerate(unique):
        noon = datetime.fromtimestamp(int(day) * 86_400 + 43_200, UTC)
        for j, site in enumerate(sites):
            offset = noon.astimezone(site.zone).utcoffset()
            offsets[i, j] = 0.0 if offset is None else offset.total_seconds()
    return np.asarray(((time_s[:, None] + offsets[inverse]) % 86_400.0) / 3600.0)


def weather(
    sites: Sequence[SitePlate],
    climates: Sequence[Climate],
    time_s: FloatArray,
    seed: int,
    hot_spell_k: FloatArray,
) -> WeatherBlock:
    """The weather of every site at the times ``time_s`` (k,) [s since 1970].

    ``hot_spell_k`` (k, n) is added to the dry bulb while the moisture stays: a hot spell is dry.
    """

    def streams(purpose: str) -> NDArray[np.uint64]:
        return np.array([stream_of(seed, purpose, s.site) for s in sites], dtype=np.uint64)

    def column(values: Sequence[float]) -> FloatArray:
        return np.array(values, dtype=np.float64)

    year_angle = 2.0 * np.pi * time_s[:, None] / _YEAR_S
    peak = column([2.0 * np.pi * (c.hottest_day or 0.0) / 365.2425 for c in climates])
    season = np.where(
        column([c.hottest_day is None for c in climates]) > 0.0, 1.0, np.cos(year_angle - peak)
    )
    front = 0.8 * smooth_noise(streams("front"), time_s, 3.1 * 86_400.0)
    front += 0.45 * smooth_noise(streams("front2"), time_s, 1.3 * 86_400.0)
    cloud = 0.5 + 0.5 * np.tanh(smooth_noise(streams("cloud"), time_s, 0.9 * 86_400.0) + 0.4)
    gust = 0.30 * smooth_noise(streams("gust"), time_s, 1500.0)
    gust += 0.12 * smooth_noise(streams("gust2"), time_s, 240.0)

    hour = local_hour(sites, time_s)
    # Warmest near 15 h, coldest near 5 h: the fundamental and a little second harmonic.
    day = np.cos(2 * np.pi * (hour - 15.2) / 24) + 0.18 * np.cos(4 * np.pi * (hour - 15.2) / 24)
    base = column([c.mean_degc for c in climates]) + column([c.season_k for c in climates]) * season
    air_mass = base + column([c.front_k for c in climates]) * front
    swing = column([c.day_k for c in climates]) * (0.65 + 0.35 * cloud)
    dry = air_mass + swing * day + gust + hot_spell_k

    moisture = smooth_noise(streams("moisture"), time_s, 0.8 * 86_400.0)
    dew = air_mass - column([c.dew_depression_k for c in climates]) + 1.5 * moisture
    rh = np.clip(air.dew_point_rh_pct(dry, np.minimum(dew, dry - 0.3)), 4.0, 99.0)
    pressure = air.barometric_kpa(column([s.elevation_m for s in sites]))
    wet_bulb = air.wet_bulb_degc(dry, rh, pressure)
    vapour = 0.01 * rh * air.sat_vapour_kpa(dry)
    rise = air.humidity_ratio(air.sat_vapour_kpa(wet_bulb), pressure) - air.humidity_ratio(
        vapour, pressure
    )
    return WeatherBlock(
        dry, rh, wet_bulb, air.density_kg_m3(dry, vapour, pressure), np.maximum(rise, 0.0)
    )


def load_frac(
    keys: Sequence[str], hour: FloatArray, dry_degc: FloatArray, time_s: FloatArray, seed: int
) -> FloatArray:
    """Heat to reject over rated capacity of each unit, (k, n): day, weather and goods movements.

    ``hour`` and ``dry_degc`` are (k, n) at each unit. Between about 0.2 and 0.95.
    """

    def streams(purpose: str) -> NDArray[np.uint64]:
        return np.array([stream_of(seed, purpose, k) for k in keys], dtype=np.uint64)

    base = np.array([uniform_of(seed, "load", k, 0.36, 0.50) for k in keys])
    shift = np.array([uniform_of(seed, "load hour", k, -1.5, 1.5) for k in keys])
    day = 0.5 + 0.5 * np.cos(2 * np.pi * (hour - 14.5 - shift) / 24)
    warm = np.clip((dry_degc - 10.0) / 25.0, 0.0, 1.2)
    slow = smooth_noise(streams("goods"), time_s, 5400.0)
    fast = smooth_noise(streams("defrost"), time_s, 700.0)
    share = base + 0.16 * day + 0.17 * warm + 0.045 * slow + 0.025 * fast
    return np.asarray(np.clip(share, 0.15, 0.97))
