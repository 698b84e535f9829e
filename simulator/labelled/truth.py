"""What a fault truly did: the measures by which labels are dated and graded.

Each catalogue fault has one physical measure, worked out from the plant's true state (never from
the severity that was aimed at, nor from noisy readings), and three limits of it: low, medium, high.
Where the limits come from a document it is named; the others are the project's own definition
(common practice), as are all shares of a rated figure.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from rules.signals import INDEX
from simulator import pump
from simulator.labelled.course import DAY_S, Case
from simulator.plant import PlantBlock
from simulator.plates import Plates

__all__ = ["LEVELS", "MEASURES", "Measure", "Scene", "Tracker"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

LEVELS: Final = ("low", "medium", "high")

_STEADY_S = 900.0
_HELD_S = 600.0
_EMPTY_MM = 20.0
_LOCKED_MET = 3
_WARM_DEGC = 25.0
_FROST_NEAR_DEGC = 3.0
"""Air at which a basin has to be empty by the simulated controllers."""
_ICE_MM_PER_DEGC_H = 0.141
"""Thin ice under air below freezing: 12 W/(m² K) over 917 kg/m³ times 334 kJ/kg."""


@dataclass
class Scene:
    """One unit, or the first of a site, over one block of times; ``memory`` lasts between blocks.

    ``true`` is (k, N_SIGNALS), the noise-free readings; the columns of ``block`` are (k, n).
    """

    block: PlantBlock
    true: FloatArray
    plates: Plates
    case: Case
    row: int
    step_s: float
    memory: dict[str, Any]

    def of(self, name: str) -> FloatArray:
        """The unit's column of the block."""
        return np.asarray(getattr(self.block, name)[:, self.row])

    def plate(self, column: Any) -> float:
        """The unit's figure of a column of plates."""
        return float(column[self.row])

    @property
    def active(self) -> BoolArray:
        """Between onset and mending."""
        time_s = self.block.time_s
        return (time_s >= self.case.entry.start_s) & (time_s < self.case.entry.end_s)

    @property
    def since_h(self) -> FloatArray:
        """Hours since the onset."""
        return (self.block.time_s - self.case.entry.start_s) / 3600.0

    def steady(self, flag: BoolArray) -> BoolArray:
        """Where a flag has held for a quarter of an hour."""
        before = int(np.ceil(_STEADY_S / self.step_s))
        held = self.memory.get("held", 0)
        out = np.empty(len(flag), dtype=bool)
        for i, now in enumerate(flag.tolist()):
            held = held + 1 if now else 0
            out[i] = held > before
        self.memory["held"] = held
        return out

    def summed(self, name: str, amount: FloatArray, keep: BoolArray) -> FloatArray:
        """Running sum of an amount a sample, started anew wherever ``keep`` is false."""
        total = self.memory.get(name, 0.0)
        out = np.empty(len(amount))
        for i, (one, go_on) in enumerate(zip(amount.tolist(), keep.tolist(), strict=True)):
            total = max(total + one, 0.0) if go_on else 0.0
            out[i] = total
        self.memory[name] = total
        return out


Judge = Callable[[Scene], tuple[BoolArray, FloatArray]]
"""Where the fault acts, (k,), and its measure, (k,), NaN where it cannot be told."""


def _where(valid: BoolArray, measure: FloatArray) -> tuple[BoolArray, FloatArray]:
    return valid, np.where(valid, measure, np.nan)


def _flow_lost(s: Scene) -> tuple[BoolArray, FloatArray]:
    clean = s.memory.get("clean")
    duty = s.plates.pump.duty_level_mm
    if clean is None:
        zero = np.zeros_like(duty)
        clean, _ = pump.operating_flow_frac(
            s.plates.pump, duty, screen=zero, distribution=zero, air_frac=zero
        )
        s.memory["clean"] = clean = clean * s.plates.pump_flow_deviation
    running = s.of("running") > 0.0
    lost = 1.0 - s.of("flow_frac") / s.plate(clean)
    return running, np.where(s.steady(running), lost, np.nan)


def _overfilled(s: Scene) -> tuple[BoolArray, FloatArray]:
    basin = s.plates.basin
    head = np.maximum(s.of("level_mm") - s.plate(basin.overflow_mm), 0.0)
    spilt = head * s.plate(basin.overflow_l_min_mm)
    return s.active, spilt / s.plate(basin.makeup_max_l_min)


def _leaking(s: Scene) -> tuple[BoolArray, FloatArray]:
    above = s.of("level_mm") > s.plate(s.plates.basin.float_shut_mm)
    share = s.of("makeup_l_min") / s.plate(s.plates.basin.makeup_max_l_min)
    rests = s.of("running") == 0.0
    return rests & above, np.where(s.steady(rests) & above, share, np.nan)


def _starved(s: Scene) -> tuple[BoolArray, FloatArray]:
    basin = s.plates.basin
    full = s.plate(basin.float_shut_mm) - s.plate(basin.float_band_mm)
    least = s.plate(s.plates.pump.minimum_level_mm)
    return _where(s.of("running") > 0.0, (full - s.of("level_mm")) / (full - least))


def _stuck(s: Scene) -> FloatArray:
    """The true reading less that of the onset."""
    column = s.true[:, INDEX[s.case.entry.signal]]
    if "stuck" not in s.memory:
        s.memory["stuck"] = float(column[int(np.argmax(s.active))]) if s.active.any() else np.nan
        if not s.active.any():
            del s.memory["stuck"]
            return np.full(len(column), np.nan)
    return np.asarray(column - s.memory["stuck"])


def _level_frozen(s: Scene) -> tuple[BoolArray, FloatArray]:
    # It is stuck from the onset on, whether or not the water has moved yet.
    off = np.abs(_stuck(s))
    return _where(s.active, np.where(off > 2.0, off, 0.0))


def _frozen(s: Scene) -> tuple[BoolArray, FloatArray]:
    off = np.abs(_stuck(s))
    told = off > 0.03 * max(abs(s.memory.get("stuck", 0.0)), 1.0)
    return _where(s.active, np.where(told, _weight(s.case.entry.signal), 0.0))


def _weight(signal: str) -> float:
    return 1.0 if signal in ("ambient_temperature", "relative_humidity") else 2.0


def _out_of_range(s: Scene) -> tuple[BoolArray, FloatArray]:
    return _where(s.active, np.full(len(s.active), _weight(s.case.entry.signal)))


def _not_running(s: Scene) -> tuple[BoolArray, FloatArray]:
    stands = (s.of("pump_command") > 0.0) & (s.of("running") == 0.0) & s.active
    still = s.active & (s.of("running") == 0.0)
    if s.case.entry.kind.name != "pump-trip" and s.plate(s.plates.protection_resets) > 0.0:
        stands = np.zeros_like(stands)  # it is tried again and again: an overload, no more
    hours = s.summed("hours", np.asarray(stands * s.step_s / 3600.0), still)
    return _where(stands, hours)


def _overload(s: Scene) -> tuple[BoolArray, FloatArray]:
    energised = (s.of("running") > 0.0) | (s.of("locked_rotor") > 0.0)
    if s.case.entry.kind.column == "locked":
        # Told from a pump that merely stands only where the starting current was met some times.
        seen = s.memory["met"] = s.memory.get("met", 0) + int(energised.sum())
        if seen < _LOCKED_MET:
            return energised, np.full(len(energised), np.nan)
    if (energised & s.active).any():
        s.memory["last_s"] = float(s.block.time_s[energised & s.active][-1])
    return _where(energised, s.of("current_a") / s.plate(s.plates.rated_current_a))


def _bleed_blocked(s: Scene) -> tuple[BoolArray, FloatArray]:
    asked = s.of("bleed_asked_l_min")
    acts = (asked > 0.0) & (s.of("bleed_l_min") < 0.98 * asked)
    return acts, _over_limit(s)


def _over_limit(s: Scene) -> FloatArray:
    limit = s.plate(s.plates.conductivity_limit_us_cm)
    ratio = s.of("conductivity_us_cm") / limit
    return np.asarray(np.where(s.of("level_mm") > _EMPTY_MM, ratio, np.nan))


def _too_salty(s: Scene) -> tuple[BoolArray, FloatArray]:
    setpoint = s.plate(s.plates.control.bleed_setpoint_us_cm)
    return s.of("conductivity_us_cm") > setpoint, _over_limit(s)


def _wasted(s: Scene) -> tuple[BoolArray, FloatArray]:
    asked = s.of("bleed_asked_l_min")
    excess = np.maximum(s.of("bleed_l_min") - asked, 0.0)
    fade = float(np.exp(-s.step_s / DAY_S))
    means = {}
    for name, flow in (("excess", excess), ("normal", s.of("evaporation_l_min") + asked)):
        mean = s.memory.get(name, 0.0 if name == "excess" else float(flow[0]))
        out = np.empty(len(flow))
        for i, one in enumerate(flow.tolist()):
            mean = one + (mean - one) * fade
            out[i] = mean
        s.memory[name] = mean
        means[name] = out
    acts = excess > 0.02 * s.plate(s.plates.control.bleed_l_min)
    return acts, means["excess"] / np.maximum(means["normal"], 0.02)


def _makeup(s: Scene) -> tuple[BoolArray, FloatArray]:
    ratio = s.of("makeup_us_cm") / s.plate(s.plates.basin.makeup_us_cm)
    return _where((s.of("makeup_l_min") > 0.05) & (ratio > 1.01), ratio)


def _probe(s: Scene) -> tuple[BoolArray, FloatArray]:
    true_us_cm = np.maximum(s.of("conductivity_us_cm"), 1.0)
    low = np.asarray(1.0 - s.of("probe_us_cm") / true_us_cm)
    return _where((s.of("level_mm") > 50.0) & (low > 0.02), low)


def _bits(mask: FloatArray) -> FloatArray:
    whole = mask.astype(np.int64)
    count = np.zeros(len(mask))
    for bit in range(32):
        count += (whole >> bit) & 1
    return count


def _fans_faulted(s: Scene) -> tuple[BoolArray, FloatArray]:
    share = _bits(s.of("fan_fault")) / s.plate(s.plates.fan_count)
    return _where(share > 0.0, share)


def _fans_unproven(s: Scene) -> tuple[BoolArray, FloatArray]:
    share = 1.0 - _bits(s.of("fan_run")) / s.plate(s.plates.fan_count)
    commanded = s.of("fan_speed_frac") > 0.0
    return commanded & (share > 0.0), np.where(s.steady(commanded), share, np.nan)


def _fans_uncommanded(s: Scene) -> tuple[BoolArray, FloatArray]:
    share = _bits(s.of("fan_run")) / s.plate(s.plates.fan_count)
    idle = s.of("fan_speed_frac") == 0.0
    return idle & (share > 0.0), np.where(s.steady(idle), share, np.nan)


def _air_lost(s: Scene) -> tuple[BoolArray, FloatArray]:
    speed = s.of("fan_speed_frac")
    turning = (speed > 0.0) & (s.of("fan_run") > 0.0)
    lost = 1.0 - s.of("airflow_frac") / np.maximum(speed, 0.1)
    return turning, np.where(s.steady(turning), lost, np.nan)


def _capacity_lost(s: Scene) -> tuple[BoolArray, FloatArray]:
    ntu = s.plate(s.plates.coil.ntu)
    kept = (1.0 - np.exp(-ntu * s.of("ua_frac"))) / (1.0 - np.exp(-ntu))
    return _where(s.of("load_kw") > 0.0, 1.0 - kept)


def _near_cut_out(s: Scene) -> tuple[BoolArray, FloatArray]:
    margin = s.plate(s.plates.cut_out_degc) - s.of("condensing_degc")
    return _where(s.of("load_kw") > 0.0, -margin)


def _dry_pads(s: Scene) -> tuple[BoolArray, FloatArray]:
    fed = np.minimum(s.of("flow_frac") / 0.72, 1.0)
    lost = 1.0 - s.of("wetness") / np.maximum(fed, 0.05)
    running = s.of("running") > 0.0
    return running, np.where(s.steady(running), lost, np.nan)


def _standing(s: Scene) -> BoolArray:
    return np.asarray((s.of("running") == 0.0) & (s.of("level_mm") > _EMPTY_MM))


def _warm_hours(s: Scene) -> tuple[BoolArray, FloatArray]:
    warm = s.of("basin_degc") >= _WARM_DEGC
    hours = s.summed("warm", np.asarray(warm * s.step_s / 3600.0), _standing(s))
    return _where(_standing(s), hours)


def _idle_days(s: Scene) -> tuple[BoolArray, FloatArray]:
    standing = _standing(s)
    days = s.summed("idle", np.full(len(standing), s.step_s / DAY_S), standing)
    return _where(standing, days)


def _ice(s: Scene) -> tuple[BoolArray, FloatArray]:
    air, standing = s.of("ambient_degc"), _standing(s)
    freezes = (s.of("basin_degc") < 0.5) | (air > 0.0)
    grown = -air * _ICE_MM_PER_DEGC_H * s.step_s / 3600.0 * freezes
    ice = s.summed("ice", grown, standing)
    return standing & (air < _FROST_NEAR_DEGC), np.where(standing, ice, np.nan)


def _silent_hours(s: Scene) -> tuple[BoolArray, FloatArray]:
    return _where(s.active, s.since_h)


def _clock(s: Scene) -> tuple[BoolArray, FloatArray]:
    return _where(s.active, np.full(len(s.active), abs(s.case.entry.value)))


def _stranger(s: Scene) -> tuple[BoolArray, FloatArray]:
    return _where(s.active, np.full(len(s.active), 2.0))


@dataclass(frozen=True)
class Measure:
    """How one catalogue fault is graded: what is measured, in which unit, and the three limits.

    ``held_s`` is how long in all a limit must be passed before it counts as reached. ``lingers``
    marks an effect that outlasts the mending: the label ends when the measure has fallen below low,
    or for ``"salt"`` the basin's conductivity below its limit.
    """

    what: str
    unit: str
    limits: tuple[float, float, float]
    judge: Judge
    held_s: float = _HELD_S
    lingers: Literal["", "measure", "salt"] = ""


_FLOW = "water over the pads lost, of the clean pump's flow"
_OVER = "conductivity of the basin over its limit"

MEASURES: Final[dict[str, Measure]] = {
    "float-stuck-open": Measure(
        "flow over the overflow's lip, of the fullest make-up flow", "share", (0.02, 0.15, 0.4),
        _overfilled),
    "float-leaking": Measure(
        "flow past the shut valve at rest, of its fullest", "share", (0.02, 0.05, 0.10), _leaking),
    "float-stuck-shut": Measure(
        "level below the float's band, of the way to where the pump draws air", "share",
        (0.25, 0.6, 1.0), _starved, lingers="measure"),
    "level-frozen": Measure("true level off the reading", "mm", (5.0, 12.0, 20.0), _level_frozen),
    "pump-screen-clogging": Measure(_FLOW, "share", (0.13, 0.23, 0.38), _flow_lost),
    "distribution-restricted": Measure(_FLOW, "share", (0.13, 0.23, 0.38), _flow_lost),
    "pump-drawing-air": Measure(_FLOW, "share", (0.13, 0.23, 0.38), _flow_lost),
    "pump-not-running": Measure(
        "time that the pump stood on end although commanded", "h", (0.25, 1.0, 4.0),
        _not_running, 0.0),
    # A relay must not open at 1.05 times its setting and must at 1.2 (IEC 60947-4-1, from memory).
    "pump-overload": Measure(
        "motor current over rated current", "ratio", (1.05, 1.15, 1.25), _overload, 0.0),
    "conductivity-high": Measure(_OVER, "ratio", (1.0, 1.15, 1.4), _too_salty, lingers="measure"),
    "bleed-blocked": Measure(_OVER, "ratio", (0.95, 1.15, 1.4), _bleed_blocked, lingers="measure"),
    "bleed-stuck-open": Measure(
        "water bled unasked over a day, of what was evaporated and bled as asked", "share",
        (0.1, 0.25, 0.5), _wasted),
    "makeup-quality-changed": Measure(
        "conductivity of the make-up water over the nameplate's", "ratio", (1.25, 1.5, 2.0),
        _makeup, lingers="salt"),
    "conductivity-probe": Measure(
        "reading below the true conductivity, of the true one", "share", (0.15, 0.3, 0.6), _probe,
        lingers="salt"),
    "fan-fault": Measure("fans that report a fault", "share", (0.01, 0.2, 0.4), _fans_faulted),
    "fan-not-proven": Measure(
        "fans commanded and not proven", "share", (0.01, 0.2, 0.4), _fans_unproven),
    "fan-not-commanded": Measure(
        "fans that run without command", "share", (0.01, 0.2, 0.4), _fans_uncommanded),
    "fan-capacity-lost": Measure(
        "airflow lost at the same fan speed", "share", (0.1, 0.2, 0.35), _air_lost),
    "coil-fouled": Measure(
        "heat rejection lost at the same airflow and temperature difference", "share",
        (0.1, 0.2, 0.35), _capacity_lost),
    "head-pressure-high": Measure(
        "condensing temperature less that of the cut-out (negative: below it)", "K",
        (-8.0, -5.0, -2.0), _near_cut_out),
    "pads-clogged": Measure(
        "airflow lost at the same fan speed", "share", (0.1, 0.2, 0.3), _air_lost),
    "pads-not-wetting": Measure(
        "wetted face lost at the same water flow", "share", (0.15, 0.3, 0.5), _dry_pads),
    # Legionella multiplies between 20 and 45 °C, and outlets left unused are flushed weekly (HSE
    # Approved Code of Practice L8, from memory).
    "warm-standing-water": Measure(
        f"time that standing water has been at {_WARM_DEGC:.0f} °C or more", "h",
        (24.0, 72.0, 168.0), _warm_hours, 0.0),
    "basin-not-drained": Measure(
        "time that water has stood without circulating", "d", (7.0, 14.0, 28.0), _idle_days, 0.0),
    "frost-risk": Measure(
        "ice that the frost has grown on standing water", "mm", (0.2, 2.0, 8.0), _ice, 0.0),
    "reading-out-of-range": Measure(
        "1 for a signal that helps, 2 for one that faults are judged by", "", (1.0, 2.0, 3.0),
        _out_of_range),
    "reading-frozen": Measure(
        "1 for a signal that helps, 2 for one that faults are judged by", "", (1.0, 2.0, 3.0),
        _frozen),
    "clock-wrong": Measure("error of the clock", "s", (120.0, 900.0, 3600.0), _clock),
    "unit-unregistered": Measure("always 2", "", (1.0, 2.0, 3.0), _stranger),
    "unit-stale": Measure("silence", "h", (0.5, 2.0, 12.0), _silent_hours, 0.0),
    "site-cut-off": Measure("silence", "h", (0.5, 1.0, 6.0), _silent_hours, 0.0),
}  # fmt: skip
"""How every fault of the catalogue is graded."""

_LINGER_S = 4.0 * DAY_S
_TRIPPED_FOR_GOOD_S = DAY_S
_OVERLOAD_LEAST_S = 3600.0


@dataclass
class Tracker:
    """Follows one case through the history, block by block, and makes its label."""

    case: Case
    row: int
    slug: str
    """The catalogue's name of the fault."""
    _memory: dict[str, Any] = field(default_factory=dict)
    _first_s: float | None = None
    _last_s: float = 0.0
    _passed_s: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    _reached_s: list[float | None] = field(default_factory=lambda: [None, None, None])

    @property
    def measure(self) -> Measure:
        """How the fault is graded."""
        return MEASURES[self.slug]

    def take(self, block: PlantBlock, true: FloatArray, plates: Plates, step_s: float) -> None:
        """Take the next block in; ``true`` is (k, n, N_SIGNALS)."""
        entry, measure = self.case.entry, self.measure
        linger_s = _LINGER_S if measure.lingers else 0.0
        time_s = block.time_s
        if time_s[-1] < entry.start_s or time_s[0] >= entry.end_s + linger_s:
            return
        scene = Scene(block, true[:, self.row], plates, self.case, self.row, step_s, self._memory)
        acts, value = measure.judge(scene)
        during = scene.active
        if self._first_s is None and (acts & during).any():
            self._first_s = float(time_s[int(np.argmax(acts & during))])
        with np.errstate(invalid="ignore"):
            above_low = value >= measure.limits[0]
            above = [(value >= limit) & during for limit in measure.limits]
            after = _over_limit(scene) >= 1.0 if measure.lingers == "salt" else above_low
            still = after & (time_s >= entry.end_s)
        for level, passed in enumerate(above):
            if self._reached_s[level] is None and passed.any():
                total = self._passed_s[level] + step_s * np.cumsum(passed)
                reached = passed & (total >= measure.held_s)
                if reached.any():
                    self._reached_s[level] = float(time_s[int(np.argmax(reached))])
                self._passed_s[level] = float(total[-1])
        if measure.lingers and still.any():
            self._last_s = float(time_s[still][-1])

    def label(self, until_s: float) -> dict[str, Any] | None:
        """Start, end, severity and the times at which each was reached; None if it never acted.

        What acted without reaching low is low too: it is there to be found.
        ``until_s`` is the end of the history; all times are seconds since 1970.
        """
        secondary = self.slug != self.case.entry.kind.shows_as
        if self._first_s is None or (secondary and self._reached_s[0] is None):
            return None
        onsets = {n: t for n, t in zip(LEVELS, self._reached_s, strict=True) if t is not None}
        end_s = min(max(self.case.entry.end_s, self._last_s), until_s)
        tripped_s = self._memory.get("last_s", end_s)
        if end_s - tripped_s > _TRIPPED_FOR_GOOD_S:
            # From there on the pump merely stands, which is another label.
            end_s = tripped_s
            if end_s - self._first_s < _OVERLOAD_LEAST_S:
                return None
        return {
            "fault": self.slug,
            "start": self._first_s,
            "end": end_s,
            "severity": list(onsets)[-1] if onsets else "low",
            "onsets": onsets,
        }
