"""A look at one unit: what an explanation may ask for, as plain numbers.

Made only when an alarm is raised or worsens, so it can afford to be readable.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.arrays import F64
from rules.bin_rings import trace_window
from rules.bins import BinView, fan_capacity_of
from rules.equipment import Site, Unit
from rules.events import Reading
from rules.physics.condenser import expected_td_k
from rules.physics.moist_air import wet_bulb_degc
from rules.physics.pads import evaporation_l_min, pad_outlet_degc
from rules.physics.refrigerant import condensing_temperature_degc
from rules.plan import FleetPlan
from rules.residuals import head_margin_k
from rules.settings import FLEET
from rules.signals import INDEX, signal
from rules.staging import is_staged, masked
from rules.state import BIN_MS, FROM_SITE, STEADY, STEADY_BINS, FleetState
from rules.trend import theil_sen

__all__ = ["Baseline", "UnitLook", "fan_names"]

_STEADY_INDEX = {q.name: i for i, q in enumerate(STEADY)}


@dataclass(frozen=True)
class Baseline:
    """A learned baseline: its value, spread, the means it rests on, and when it was learned."""

    value: float
    spread: float
    count: int
    learned_ms: int


@dataclass(frozen=True)
class UnitLook:
    """One unit at one time. Numbers are None where not known."""

    plan: FleetPlan
    state: FleetState
    row: int
    time_ms: int

    @property
    def site(self) -> Site:
        """The unit's site."""
        return self.plan.unit_of_row[self.row][0]

    @property
    def unit(self) -> Unit:
        """The unit's nameplate."""
        return self.plan.unit_of_row[self.row][1]

    @property
    def _rows(self) -> np.ndarray:
        return np.array([self.row])

    def setting(self, slug: str, name: str) -> float:
        """A setting as it applies to this unit."""
        return self.plan.settings.one(slug, name, self.row)

    def fans_staged(self) -> F64:
        """Whether its fans start in stages, as :func:`rules.staging.is_staged` says it, (1,)."""
        setting = np.array([self.setting("fan-not-proven", "staged")])
        return is_staged(setting, self.state.together_ms[self._rows])

    def value(self, name: str) -> float | None:
        """The last value of a signal if it is young enough."""
        age_ms = self.time_ms - self.measured_ms(name)
        if age_ms > self.setting(FLEET, "value_age_limit_s") * 1000.0:
            return None
        return _known(self.state.value[self.row, INDEX[name]])

    def measured_ms(self, name: str) -> int:
        """When the last value of a signal was measured, 0 for never.

        What the site's weather says is taken to be of the unit's newest frame.
        """
        taken = int(self.state.value_ms[self.row, INDEX[name]])
        return int(self.state.frame_ms[self.row]) if taken == FROM_SITE else taken

    def has(self, name: str) -> bool:
        """Whether this signal ever came: from the unit, or as its site's weather."""
        return bool(self.state.value_ms[self.row, INDEX[name]] != 0)

    def sent_by(self, name: str) -> str:
        """Another unit of the site whose reading this is, if it is not the unit's own; else ''."""
        if self.state.value_ms[self.row, INDEX[name]] != FROM_SITE:
            return ""
        held = self.state.site_weather.source(self.site.id, name)
        # Another may have taken over within the batch: then it was not this one's reading.
        if held is None or held.value != self.state.value[self.row, INDEX[name]]:
            return "another unit of the site"
        return held.unit

    def fans_proven(self) -> int | None:
        """How many of its fans are proven running; bits of fans that it has not do not count."""
        run = self.value("fan_run")
        if run is None:
            return None
        return int(masked(np.array([run]), self.plan.fan_count[self._rows])[0]).bit_count()

    def baseline(self, quantity: str) -> Baseline | None:
        """The learned baseline of a steady quantity."""
        q = _STEADY_INDEX[quantity]
        value = _known(self.state.baseline[self.row, q])
        if value is None:
            return None
        return Baseline(
            value,
            float(self.state.baseline_spread[self.row, q]),
            int(self.state.baseline_count[self.row, q]),
            int(self.state.baseline_ms[self.row, q]),
        )

    def steady(self, quantity: str, bins: int) -> float | None:
        """Median over the last accepted means of a steady quantity."""
        means = self.steady_means(quantity)[-bins:]
        return float(np.median(means)) if len(means) else None

    def steady_means(self, quantity: str) -> F64:
        """The accepted means of a steady quantity that are kept, in order of time."""
        q = _STEADY_INDEX[quantity]
        count = int(self.state.steady_count[self.row, q])
        places = np.arange(max(count - STEADY_BINS, 0), count) % STEADY_BINS
        means: F64 = self.state.steady[self.row, q, places].astype(np.float64)
        return means

    def bin_view(self) -> BinView:
        """The unit as the rules of five-minute means see it, all of them new."""
        no, new = np.zeros(1, dtype=np.bool_), np.ones((1, len(STEADY)), dtype=np.bool_)
        return BinView(self.plan, self.state, self._rows, np.array([self.time_ms]), no, new)

    def standing_s(self) -> float:
        """Time since water last circulated in the basin."""
        return (self.time_ms - int(self.state.circulated_ms[self.row])) / 1000.0

    def warm_standing_s(self) -> float:
        """How long of that the water (unmeasured: the air) was warm."""
        return float(self.state.warm_standing_s[self.row])

    def warm_above_degc(self) -> float:
        """From where on standing water counts as warm."""
        return self.setting("warm-standing-water", "warm_above_degc")

    def trace(self, name: str, bins: int) -> F64:
        """The last five-minute means of a trace, oldest first, NaN for gaps."""
        window: F64 = trace_window(self.state, self._rows, name, bins)[0]
        return window

    def recent(self, name: str, bins: int = 3) -> float | None:
        """Median of the last few means of a trace."""
        window = self.trace(name, bins)
        window = window[~np.isnan(window)]
        return float(np.median(window)) if len(window) else None

    def slope_per_h(self, name: str, bins: int) -> float | None:
        """Robust slope of a trace (Theil-Sen); None with fewer than four means."""
        hours = np.arange(bins) * (BIN_MS / 3_600_000.0)
        return _known(theil_sen(hours, self.trace(name, bins)).slope)

    def head_margin_k(self) -> float | None:
        """Kelvin of condensing temperature left to the cut-out."""
        pressure = self.value("head_pressure")
        if pressure is None:
            return None
        return _known(head_margin_k(self.plan, self._rows, np.array([pressure]))[0])

    def condensing_degc(self) -> float | None:
        """Condensing temperature (dew line); None above the critical point."""
        pressure = self.value("head_pressure")
        if pressure is None:
            return None
        index = self.plan.refrigerant_index[self._rows]
        return _known(condensing_temperature_degc(np.array([pressure]), index)[0])

    def expected_td_k(self, reference_k: float) -> float:
        """A TD at rated load and full airflow, referred to the load and airflow of now.

        What is not known counts as rated: full airflow, and the load that was learned with it.
        """
        air = self.air_frac()
        load = self.value("heat_load")
        frac = 1.0 if load is None else load / float(self.plan.rated_capacity_kw[self.row])
        expected = expected_td_k(reference_k, frac, 1.0 if air is None else max(air, 0.1))
        return reference_k if np.isnan(expected) else float(expected)

    def wet_bulb_degc(self) -> float | None:
        """Wet bulb of the air drawn in."""
        db, rh = self.value("ambient_temperature"), self.value("relative_humidity")
        if db is None or rh is None:
            return None
        return _known(float(wet_bulb_degc(db, rh, self.plan.barometric_kpa[self.row])))

    def air_on_coil_degc(self, *, wet: bool) -> float | None:
        """Air on the coil: ambient when dry, the expected pad outlet when wet."""
        db = self.value("ambient_temperature")
        if not wet or db is None:
            return db
        bulb = self.wet_bulb_degc()
        if bulb is None:
            return None
        return _number(pad_outlet_degc(db, bulb, self.plan.pad_effectiveness_frac[self.row]))

    def air_frac(self) -> float | None:
        """Airflow now as a fraction of full; None where it is not known."""
        run, speed = self.value("fan_run"), self.value("fan_speed")
        share = fan_capacity_of(
            _array(run), _array(speed), self.plan.fan_count[self._rows], self.fans_staged(),
            moves=self.state.speed_seen[self._rows],
        )  # fmt: skip
        return _known(share[0])

    def evaporation_l_min(self) -> float | None:
        """Water evaporated at the pads now, from weather, pad effectiveness and airflow."""
        db, bulb = self.value("ambient_temperature"), self.wet_bulb_degc()
        air = self.air_frac()
        if db is None or bulb is None or air is None:
            return None
        return _number(
            evaporation_l_min(
                air * self.plan.airflow_m3_s[self.row],
                db,
                bulb,
                self.plan.pad_effectiveness_frac[self.row],
                self.plan.barometric_kpa[self.row],
            )
        )

    def reading(
        self,
        name: str,
        *,
        expected: float | None = None,
        low: float | None = None,
        high: float | None = None,
        note: str = "",
    ) -> Reading:
        """A line of evidence with the last value of a signal."""
        entry = signal(name)
        if whose := self.sent_by(name):
            note = f"{note}; sent by {whose}" if note else f"sent by {whose}"
        return Reading(entry.title, self.value(name), entry.unit, expected, low, high, note)


def fan_names(mask: int) -> str:
    """The fans of a bit mask in words: 'fan 2', 'fans 1 and 3'."""
    numbers = [str(i + 1) for i in range(32) if mask >> i & 1]
    if len(numbers) == 1:
        return f"fan {numbers[0]}"
    return f"fans {', '.join(numbers[:-1])} and {numbers[-1]}" if numbers else "no fan"


def _known(value: float) -> float | None:
    value = float(value)
    return None if np.isnan(value) else value


def _number(value: F64) -> float | None:
    return _known(float(value))


def _array(value: float | None) -> F64:
    return np.array([np.nan if value is None else value])
