"""The five-minute means of one unit on a whole grid of time, and what they say of its state.

NaN is not known. A mask of fans is known only where it was the same through the five minutes: its
mean has no meaning. What runs is judged as the rules judge it, by current before command.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.bins import fan_capacity_of
from rules.equipment import Overrides, Site, Unit
from rules.physics.moist_air import standard_pressure_kpa_abs, wet_bulb_degc
from rules.staging import FOUND_OUT_MS, TOGETHER, is_staged, stages_wanted

__all__ = ["SIGNALS_USED", "STEP_MS", "FaultSpan", "Trace", "held"]

STEP_MS: Final = 300_000
"""Five minutes. [ms]"""

SIGNALS_USED: Final = (
    "basin_level", "conductivity", "pump_current", "head_pressure", "ambient_temperature",
    "relative_humidity", "fan_speed", "fan_run", "pump_command", "wet_mode", "makeup_flow",
    "bleed_flow", "heat_load",
)  # fmt: skip

STAGED: Final = 0.5
"""Where nobody has set it, whether fans run in stages is found out: the rules' own (staged)."""
RUNNING_FRAC: Final = 0.2
"""Share of rated current above which a pump runs: the rules' own (pump_running_frac)."""


@dataclass(frozen=True)
class FaultSpan:
    """When an alarm of the unit stood: from its onset until it returned to normal. [ms, UTC]

    ``explained``: another alarm of the unit, which stands too, explains it and bears its cost.
    """

    fault: str
    start_ms: int
    end_ms: int
    explained: bool = False


@dataclass(frozen=True)
class Trace:
    """A unit's means from ``start_ms`` on, one each :data:`STEP_MS`; each array is (n,).

    ``mean`` has the signals of :data:`SIGNALS_USED` that were sent, in catalogue units;
    ``is_constant`` says of ``fan_run`` where it did not change within the five minutes.
    """

    site: Site
    unit: Unit
    start_ms: int
    n: int
    mean: Mapping[str, F64]
    is_constant: Bool
    fleet: Overrides = field(default_factory=dict)
    """Settings of the whole fleet, which those of site and unit go before."""

    @classmethod
    def of(
        cls,
        site: Site,
        unit: Unit,
        start_ms: int,
        end_ms: int,
        at_ms: I64,
        mean: Mapping[str, F64],
        fan_run_span: F64,
        fleet: Overrides | None = None,
    ) -> Trace:
        """From means at ``at_ms`` (m,), which need not be without gaps.

        ``fan_run_span`` (m,) is the greatest less the least mask of the five minutes.
        """
        n = max(0, (end_ms - start_ms) // STEP_MS)
        place = (np.asarray(at_ms, dtype=np.int64) - start_ms) // STEP_MS
        here = (place >= 0) & (place < n)
        laid: dict[str, F64] = {}
        for name, values in mean.items():
            column = np.full(n, np.nan)
            column[place[here]] = values[here]
            if not np.isnan(column).all():
                laid[name] = column
        constant = np.zeros(n, dtype=bool)
        constant[place[here]] = fan_run_span[here] == 0.0
        return cls(site, unit, start_ms, n, laid, constant, fleet or {})

    @property
    def first_ms(self) -> int | None:
        """Begin of the first five minutes with any reading; None where there are none."""
        known = np.zeros(self.n, dtype=bool)
        for values in self.mean.values():
            known |= ~np.isnan(values)
        return self.start_ms + int(known.argmax()) * STEP_MS if known.any() else None

    def since(self, start_ms: int) -> Trace:
        """The same from a later time on, without what lies before."""
        cut = min(max(0, -(-(start_ms - self.start_ms) // STEP_MS)), self.n)
        mean = {name: values[cut:] for name, values in self.mean.items()}
        return replace(
            self, start_ms=self.start_ms + cut * STEP_MS, n=self.n - cut, mean=mean,
            is_constant=self.is_constant[cut:],
        )  # fmt: skip

    def signal(self, name: str) -> F64:
        """A signal's means, all NaN where it was not sent."""
        return self.mean.get(name, np.full(self.n, np.nan))

    def has(self, name: str) -> bool:
        """Whether the signal was sent at all."""
        return name in self.mean

    @cached_property
    def pressure_kpa_abs(self) -> float:
        """Of the air, by the site's elevation."""
        return float(standard_pressure_kpa_abs(self.site.elevation_m))

    @cached_property
    def wet_bulb_degc(self) -> F64:
        """Of the air at the intake."""
        return wet_bulb_degc(
            self.signal("ambient_temperature"),
            self.signal("relative_humidity"),
            self.pressure_kpa_abs,
        )

    @cached_property
    def pump_running(self) -> F64:
        """Share of the five minutes that the pump ran, 0 to 1."""
        command = self.signal("pump_command")
        if not self.has("pump_command"):
            command = self.signal("wet_mode")
        current = self.signal("pump_current")
        runs = np.where(current > RUNNING_FRAC * self.unit.pump.rated_current_a, 1.0, 0.0)
        share = np.clip(np.where(np.isnan(command) | (runs == 0.0), runs, command), 0.0, 1.0)
        # Between two currents the pump started or stopped: the command tells for how long.
        return np.where(np.isnan(current), command, share)

    @cached_property
    def air_frac(self) -> F64:
        """Airflow over that of all fans at full speed, by the fans proven running."""
        return self._air(proven=True)

    @cached_property
    def air_wanted_frac(self) -> F64:
        """The same if every fan ran, at the speed that was commanded."""
        return self._air(proven=False)

    @cached_property
    def fans_staged(self) -> float:
        """1 where the fans are, or may be, switched in stages, else 0: as the rules find it out."""
        count = np.array([self.unit.fans.count])
        levels = (self.fleet, self.site.settings, self.unit.settings)
        setting = STAGED
        for its in levels:
            setting = its.get("fan-not-proven", {}).get("staged", setting)
        mask, speed = self._mask, self.signal("fan_speed")
        with np.errstate(invalid="ignore"):
            part = (speed > 0.0) & (stages_wanted(speed, count) < count)
        part &= (
            fan_capacity_of(mask, np.full(self.n, np.nan), count, np.ones(1), moves=False) == 1.0
        )
        # Through an hour and without a break.
        most = max((run.stop - run.start for run in held(part)), default=0)
        together = TOGETHER if most * STEP_MS >= FOUND_OUT_MS else 0
        return float(is_staged(np.array([setting]), np.array([together]))[0])

    @cached_property
    def _mask(self) -> F64:
        return np.where(self.is_constant, np.round(self.signal("fan_run")), np.nan)

    def _air(self, *, proven: bool) -> F64:
        count = np.array([self.unit.fans.count])
        speed = np.clip(self.signal("fan_speed"), 0.0, 120.0)
        if not self.has("fan_speed"):
            speed = np.where(np.isnan(self.signal("fan_run")), np.nan, 100.0)
        if not proven or not self.has("fan_run"):
            # By stages or together, the command says how much of all the air is wanted.
            return speed / 100.0
        staged = np.array([self.fans_staged])
        air = fan_capacity_of(self._mask, speed, count, staged, moves=False)
        return np.where(np.isnan(self._mask) | np.isnan(speed), np.nan, air)

    def during(self, spans: Sequence[FaultSpan]) -> Bool:
        """Where one of the spans covers the middle of the five minutes."""
        middle = self.start_ms + STEP_MS // 2 + STEP_MS * np.arange(self.n, dtype=np.int64)
        out = np.zeros(self.n, dtype=bool)
        for span in spans:
            out |= (middle >= span.start_ms) & (middle < span.end_ms)
        return out


def held(flag: Bool) -> Iterator[slice]:
    """The stretches in which a flag holds."""
    edges = np.diff(np.concatenate([[0], flag.astype(np.int8), [0]]))
    for first, last in zip(
        np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True
    ):
        yield slice(first, last)
