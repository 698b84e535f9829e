"""The fleet's memory: everything the rules remember of each unit, as columns.

One dataclass of arrays whose first axis is the unit's row. Snapshots and growth are written once,
over the fields, so a new column needs only a line here. Times are ms since 1970 (UTC), 0 for
'never'.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, fields
from typing import Final, Self

import numpy as np

from rules.arrays import F32, F64, I8, I16, I64, Bool
from rules.signals import N_SIGNALS, SIGNALS

__all__ = [
    "BIN_MS",
    "CLEANABLE_PARTS",
    "STEADY",
    "STEADY_BINS",
    "TRACE",
    "TRACE_BINS",
    "FleetState",
    "SnapshotMismatch",
    "SteadyQuantity",
]

BIN_MS: Final = 300_000
"""Length of one bin: five minutes, the slowest sampling in common use."""

STEADY_BINS: Final = 72
"""Accepted steady means kept by unit and quantity: six hours of running."""

TRACE_BINS: Final = 36
"""Means kept against the clock by unit and trace: three hours."""


@dataclass(frozen=True)
class SteadyQuantity:
    """A quantity with a learned baseline: a mean over five steady minutes, kept by running time."""

    name: str
    title: str
    unit: str
    mode: str
    parts: tuple[str, ...]
    """The parts whose cleaning calls for a new baseline."""


CLEANABLE_PARTS: Final = (
    "pump-screen", "distribution", "pads", "coil", "basin", "float", "bleed", "fans"
)  # fmt: skip
"""What a person cleans at a unit, by the names that a close-out uses."""

_WATER: Final = ("pump-screen", "distribution")
STEADY: Final[tuple[SteadyQuantity, ...]] = (
    SteadyQuantity("pump_current", "Pump current at rated voltage", "A", "pump running", _WATER),
    SteadyQuantity("spray_pressure", "Spray pressure", "kPa", "pump running", _WATER),
    SteadyQuantity("spray_flow", "Spray flow", "L/min", "pump running", _WATER),
    SteadyQuantity("td_dry", "Condensing temperature above air on coil", "K", "dry",
                   ("coil", "fans")),
    SteadyQuantity("td_wet", "Condensing temperature above air on coil", "K", "wet",
                   ("coil", "fans", "pads", "distribution")),
)  # fmt: skip

TRACE: Final[tuple[str, ...]] = ("level_running", "level_at_rest", "conductivity")

# Accumulators of the open bin: sum and count of each. The first five become steady quantities
# (TDs from means of head pressure and air), the next three the traces.
ACCUMULATED: Final[tuple[str, ...]] = (
    "pump_current",
    "spray_pressure",
    "spray_flow",
    "level_running",
    "level_at_rest",
    "conductivity",
    "head_pressure",
    "ambient_temperature",
    "relative_humidity",
    "fan_capacity",
    "heat_load",
)


class SnapshotMismatch(ValueError):
    """A snapshot that was made by another layout of the state."""


@dataclass
class FleetState:
    """Columns by row; see the comments. ``alarm_*`` are (rows, faults), in registry order."""

    # last values, and when each was measured
    value: F64
    value_ms: I64
    # the newest frame, and silence: the listened-time clock when the unit was last heard
    frame_ms: I64
    heard_listened_ms: I64
    site_offline: Bool  # on the site's anchor row: it said goodbye and was not heard since
    # running history
    pump_state: I8  # -1 not known, 0 stopped, 1 running
    pump_changed_ms: I64
    mode: I8  # -1 not known, 0 dry, 1 wet
    mode_changed_ms: I64
    commanded_ms: I64  # since when the pump has been commanded, 0 if it is not
    fans_commanded_ms: I64
    # level stillness: the level stayed within a step of `still_level` since `still_ms`
    still_level: F64
    still_ms: I64
    still_starts: I16  # pump starts and stops since then
    # five-minute bins
    bin_id: I64
    bin_sum: F64
    bin_count: F32
    bin_mixed: Bool  # the mode changed within the bin
    steady: F32
    steady_count: I64  # accepted means ever, by quantity; position = count mod STEADY_BINS
    trace: F32
    trace_bin: I64  # id of the newest bin in `trace`
    # baselines
    baseline: F64
    baseline_spread: F64
    baseline_count: I16
    baseline_ms: I64
    baseline_relearn: Bool  # a cleaning was closed out: to be replaced once enough was seen
    baseline_frozen: Bool  # by unit: a person wants the baselines left as they are
    # alarms
    alarm_state: I8
    alarm_severity: I8
    alarm_pending: I8
    alarm_pending_ms: I64
    alarm_clearing_ms: I64
    alarm_onset_ms: I64
    alarm_until_ms: I64  # end of the shelf, or when an acknowledged alarm is announced again
    out_of_service_until_ms: I64  # 0 in service, -1 until a person ends it

    @classmethod
    def empty(cls, n_rows: int, n_faults: int) -> Self:
        """The state of units of which nothing was ever heard."""
        n, s, q = n_rows, N_SIGNALS, len(STEADY)
        a, t, f = len(ACCUMULATED), len(TRACE), n_faults

        def i64(*shape: int) -> I64:
            return np.zeros(shape, dtype=np.int64)

        def nan64(*shape: int) -> F64:
            return np.full(shape, np.nan)

        def i8(fill: int, *shape: int) -> I8:
            return np.full(shape, fill, dtype=np.int8)

        return cls(
            value=nan64(n, s),
            value_ms=i64(n, s),
            frame_ms=i64(n),
            heard_listened_ms=np.full(n, -1, dtype=np.int64),
            site_offline=np.zeros(n, dtype=np.bool_),
            pump_state=i8(-1, n),
            pump_changed_ms=i64(n),
            mode=i8(-1, n),
            mode_changed_ms=i64(n),
            commanded_ms=i64(n),
            fans_commanded_ms=i64(n),
            still_level=nan64(n),
            still_ms=i64(n),
            still_starts=np.zeros(n, dtype=np.int16),
            bin_id=i64(n),
            bin_sum=np.zeros((n, a)),
            bin_count=np.zeros((n, a), dtype=np.float32),
            bin_mixed=np.zeros(n, dtype=np.bool_),
            steady=np.full((n, q, STEADY_BINS), np.nan, dtype=np.float32),
            steady_count=i64(n, q),
            trace=np.full((n, t, TRACE_BINS), np.nan, dtype=np.float32),
            trace_bin=i64(n),
            baseline=nan64(n, q),
            baseline_spread=nan64(n, q),
            baseline_count=np.zeros((n, q), dtype=np.int16),
            baseline_ms=i64(n, q),
            baseline_relearn=np.zeros((n, q), dtype=np.bool_),
            baseline_frozen=np.zeros(n, dtype=np.bool_),
            alarm_state=i8(0, n, f),
            alarm_severity=i8(0, n, f),
            alarm_pending=i8(0, n, f),
            alarm_pending_ms=i64(n, f),
            alarm_clearing_ms=i64(n, f),
            alarm_onset_ms=i64(n, f),
            alarm_until_ms=i64(n, f),
            out_of_service_until_ms=i64(n),
        )

    def nbytes(self) -> int:
        """Memory held, in bytes."""
        return sum(getattr(self, f.name).nbytes for f in fields(self))

    def to_bytes(self, fault_slugs: tuple[str, ...], extra: dict[str, int]) -> bytes:
        """A snapshot: all columns, the faults their last axis stands for, and some counters."""
        out = io.BytesIO()
        arrays: dict[str, np.ndarray] = {f.name: getattr(self, f.name) for f in fields(self)}
        arrays["fault_slugs"] = np.array(fault_slugs)
        arrays["signal_names"] = np.array([s.name for s in SIGNALS])
        arrays["extra_names"] = np.array(list(extra))
        arrays["extra_values"] = np.array(list(extra.values()), dtype=np.int64)
        np.savez(out, **arrays)  # type: ignore[arg-type]  # keyword names are column names
        return out.getvalue()

    @classmethod
    def from_bytes(
        cls, data: bytes, n_rows: int, fault_slugs: tuple[str, ...]
    ) -> tuple[Self, dict[str, int]]:
        """The state of a snapshot, for ``n_rows`` rows (new units start empty).

        Alarms of faults that the snapshot does not know start normal. Raises
        :class:`SnapshotMismatch` when the layout of a column differs, or the bytes are no snapshot.
        """
        state = cls.empty(n_rows, len(fault_slugs))
        try:
            with np.load(io.BytesIO(data), allow_pickle=False) as arrays:
                old_slugs = [str(x) for x in arrays["fault_slugs"]]
                if [str(x) for x in arrays["signal_names"]] != [s.name for s in SIGNALS]:
                    msg = "the signal catalogue has changed"
                    raise SnapshotMismatch(msg)
                shared = [
                    (i, old_slugs.index(s)) for i, s in enumerate(fault_slugs) if s in old_slugs
                ]
                for f in fields(cls):
                    _copy(getattr(state, f.name), arrays[f.name], f.name, shared)
                names = [str(x) for x in arrays["extra_names"]]
                extra = dict(zip(names, (int(v) for v in arrays["extra_values"]), strict=True))
        except SnapshotMismatch:
            raise
        except Exception as error:
            msg = f"not a readable snapshot: {error}"
            raise SnapshotMismatch(msg) from error
        return state, extra


def _copy(into: np.ndarray, old: np.ndarray, name: str, shared: list[tuple[int, int]]) -> None:
    n = min(len(into), len(old))
    if name.startswith("alarm_"):
        for new_column, old_column in shared:
            into[:n, new_column] = old[:n, old_column]
        return
    if into.shape[1:] != old.shape[1:]:
        msg = f"column {name} had shape {old.shape[1:]}, now {into.shape[1:]}"
        raise SnapshotMismatch(msg)
    into[:n] = old[:n]
