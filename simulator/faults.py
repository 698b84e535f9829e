"""The catalogue of what can happen to a simulated unit, faults and healthy events alike.

Each kind says which quantity of the plant or of its sensors it moves, what severity 1 means, and
which fault a watcher should see (empty: none; for a healthy event, nothing may be raised).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["FAN_COLUMNS", "KINDS", "Entry", "Kind", "build_effects", "fan_mask", "severity_at"]

FloatArray = NDArray[np.float64]

Target = Literal["plant", "sensor", "telemetry"]

FAN_COLUMNS: Final = ("fan_fault", "fan_unproven", "fan_on", "fan_slip")
"""Effects that are bit masks of fans, bit 0 for fan 1."""


@dataclass(frozen=True)
class Kind:
    """One thing that can be switched on. ``column`` names the effect that it drives."""

    name: str
    column: str
    target: Target
    at_full_severity: str
    shows_as: str = ""
    healthy: bool = False


KINDS: Final[dict[str, Kind]] = {
    k.name: k
    for k in (
        # Float and level
        Kind("float-stuck-open", "valve_low", "plant",
             "make-up valve held fully open (the severity is the opening)", "float-stuck-open"),
        Kind("float-stuck-shut", "valve_stop", "plant",
             "make-up valve cannot open at all", "float-stuck-shut"),
        Kind("supply-starved", "supply_loss", "plant",
             "no water at the make-up valve", "float-stuck-shut"),
        Kind("leak-by", "leak", "plant",
             "shut make-up valve passes 15 % of its full flow", "float-leaking"),
        Kind("level-frozen", "frozen", "sensor",
             "level reading stays at its value at the onset", "level-frozen"),
        # Pump and screen
        Kind("pump-screen-clogging", "screen", "plant",
             "suction screen takes 60 % of the clean flow", "pump-screen-clogging"),
        Kind("distribution-restricted", "distribution", "plant",
             "blocked holes or pipe take 50 % of the clean flow", "distribution-restricted"),
        Kind("pump-draws-air", "air", "plant",
             "prime lost", "pump-drawing-air"),
        Kind("pump-trip", "pump_stop", "plant",
             "pump stands although commanded (any severity)", "pump-not-running"),
        Kind("pump-overload", "overload", "plant",
             "bearing or rotor drag adds 60 % of duty power", "pump-overload"),
        Kind("pump-locked-rotor", "locked", "plant",
             "rotor stands: starting current until the protection opens (any severity)",
             "pump-overload"),
        # Water quality
        Kind("bleed-blocked", "bleed_block", "plant",
             "no bleed flow", "bleed-blocked"),
        Kind("bleed-set-too-high", "bleed_setpoint", "plant",
             "controller's bleed setpoint three times what it should be", "conductivity-high"),
        Kind("bleed-stuck-open", "bleed_open", "plant",
             "bleed valve open also at rest", "bleed-stuck-open"),
        Kind("makeup-quality", "makeup_extra", "plant",
             "conductivity of the make-up water doubled", "makeup-quality-changed"),
        Kind("probe-fouled", "probe_foul", "plant",
             "conductivity probe reads 70 % low and follows over two hours", "conductivity-probe"),
        Kind("probe-open", "probe_open", "plant",
             "conductivity probe's circuit open: reads next to nothing", "conductivity-probe"),
        # Fans
        Kind("fan-fault", "fan_fault", "plant",
             "the named fans stop and report a fault (any severity)", "fan-fault"),
        Kind("fan-not-proven", "fan_unproven", "plant",
             "the named fans stop and report nothing (any severity)", "fan-not-proven"),
        Kind("fan-runs-on", "fan_on", "plant",
             "the named fans run at full speed whatever the command (any severity)",
             "fan-not-commanded"),
        Kind("fan-slipping", "fan_slip", "plant",
             "the named fans are proven but move no air (any severity)", "fan-capacity-lost"),
        # Heat rejection
        Kind("coil-fouled", "coil", "plant",
             "coil's UA value falls by 70 %", "coil-fouled"),
        Kind("non-condensables", "gas", "plant",
             "head pressure reads as if condensing were 12 K hotter", "head-pressure-high"),
        Kind("pads-not-wetting", "pads", "plant",
             "pads lose all their effect", "pads-not-wetting"),
        Kind("pads-clogged", "pad_clog", "plant",
             "pads resist the air six times as much as when clean", "pads-clogged"),
        # Hygiene and frost: one failing, named by the season in which it matters
        Kind("warm-water-left", "drain_block", "plant",
             "idle basin is not drained (any severity), in warm weather", "warm-standing-water"),
        Kind("basin-left-full", "drain_block", "plant",
             "idle basin is not drained (any severity), in cool weather", "basin-not-drained"),
        Kind("frost-water-left", "drain_block", "plant",
             "idle basin is not drained (any severity), in frost", "frost-risk"),
        # Telemetry
        Kind("unit-stale", "stale", "telemetry",
             "unit stops publishing (any severity)", "unit-stale"),
        Kind("site-cut-off", "cut_off", "telemetry",
             "site's connection breaks (any severity)", "site-cut-off"),
        Kind("sensor-frozen", "frozen", "sensor",
             "the named signal stays at its value at the onset", "reading-frozen"),
        Kind("sensor-out-of-range", "out_of_range", "sensor",
             "the named signal reads the given value, however impossible",
             "reading-out-of-range"),
        Kind("clock-wrong", "clock", "telemetry",
             "unit's time stamps run ahead by the given value in seconds", "clock-wrong"),
        Kind("unit-unregistered", "unregistered", "telemetry",
             "unit speaks only while this lasts (any severity); no site file may name it",
             "unit-unregistered"),
        # Healthy events
        Kind("voltage-sag", "sag", "plant", "supply 20 % under rated voltage", healthy=True),
        Kind("hot-spell", "hot_spell", "plant", "air 10 K hotter", healthy=True),
        Kind("drained", "drain", "plant", "basin drained on purpose, wet mode off", healthy=True),
        Kind("week-off", "off", "plant", "no load, everything off, still publishing", healthy=True),
        Kind("dry-days", "dry", "plant", "wet mode locked out", healthy=True),
        Kind("mode-flips", "flips", "plant",
             "wet mode asked for half of every period given as value [s]", healthy=True),
        Kind("technician", "technician", "plant",
             "unit isolated at its switches, basin emptied, then refilled", healthy=True),
        Kind("sensor-dropout", "dropout", "telemetry",
             "every message lost (the severity is the share)", healthy=True),
        Kind("signal-dropout", "blank", "sensor",
             "the named signal is not sent (any severity)", healthy=True),
    )
}  # fmt: skip


@dataclass(frozen=True)
class Entry:
    """One fault or event at known times. ``rows`` are the fleet rows it touches."""

    kind: Kind
    rows: tuple[int, ...]
    start_s: float
    ramp_s: float
    end_s: float
    severity: float
    fans: tuple[int, ...] = ()
    signal: str = ""
    value: float = 0.0
    keeps_backlog: bool = False
    site: str = field(default="")
    """The site id where the entry names a whole site."""


def severity_at(entry: Entry, time_s: FloatArray) -> FloatArray:
    """The entry's severity at the times (k,): 0 outside, rising straight over the ramp."""
    inside = (time_s >= entry.start_s) & (time_s < entry.end_s)
    grown = 1.0 if entry.ramp_s <= 0 else np.clip((time_s - entry.start_s) / entry.ramp_s, 0.0, 1.0)
    return np.asarray(np.where(inside, entry.severity * grown, 0.0))


def fan_mask(fans: Sequence[int]) -> int:
    """The bit mask of fan numbers counted from 1."""
    mask = 0
    for fan in fans:
        mask |= 1 << (fan - 1)
    return mask


def build_effects(
    entries: Sequence[Entry], time_s: FloatArray, n_units: int
) -> dict[str, FloatArray]:
    """The effect columns (k, n) of the plant at the times; every column is present.

    Where several entries drive one column the greatest counts; fan masks are joined bit by bit.
    Untouched columns share one read-only array of zeros.
    """
    zeros = np.zeros((len(time_s), n_units))
    zeros.flags.writeable = False
    effects = {k.column: zeros for k in KINDS.values() if k.target == "plant"}
    for entry in entries:
        column = entry.kind.column
        if entry.kind.target != "plant":
            continue
        severity = severity_at(entry, time_s)
        if not severity.any():
            continue
        if effects[column] is zeros:
            effects[column] = np.zeros_like(zeros)
        rows = list(entry.rows)
        if column in FAN_COLUMNS:
            mask = fan_mask(entry.fans)
            joined = effects[column][:, rows].astype(np.int64)
            joined |= np.where(severity > 0.0, mask, 0)[:, None]
            effects[column][:, rows] = joined
            continue
        if column == "flips":
            since = time_s - entry.start_s
            severity = severity * ((since % entry.value) < 0.5 * entry.value)
            # A second column tells the controller that wet mode is not the weather's to choose.
            effects.setdefault("flips_active", np.zeros((len(time_s), n_units)))
            inside = severity_at(entry, time_s) > 0.0
            effects["flips_active"][:, rows] = np.maximum(
                effects["flips_active"][:, rows], inside[:, None]
            )
        if column == "technician":
            length = max(entry.end_s - entry.start_s, 1.0)
            effects.setdefault("technician_drain", np.zeros((len(time_s), n_units)))
            first = (severity > 0.0) & ((time_s - entry.start_s) < 0.7 * length)
            effects["technician_drain"][:, rows] = np.maximum(
                effects["technician_drain"][:, rows], first[:, None]
            )
        effects[column][:, rows] = np.maximum(effects[column][:, rows], severity[:, None])
    effects.setdefault("flips_active", zeros)
    effects.setdefault("technician_drain", zeros)
    return effects
