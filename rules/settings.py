"""Settings: one table of numbers with reasons, resolved once into columns.

Every number that a rule uses is a :class:`~rules.faults.base.Setting` of a fault or of the fleet
as a whole (pseudo slug ``fleet``). Overrides come fleet < site < unit. A setting that nobody
overrides is kept as a single number, not as a column: that is most of them, and memory is by unit.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from rules.arrays import F64, I64
from rules.faults.base import Setting

__all__ = ["FLEET", "FLEET_SETTINGS", "SettingColumns", "fleet_setting"]

FLEET: Final = "fleet"
"""The slug under which fleet-wide settings stand in the files: ``[settings.fleet]``."""

FLEET_SETTINGS: Final[tuple[Setting, ...]] = (
    Setting("value_age_limit_s", 900.0, "s", 10.0, 86_400.0,
            "a value older than this counts as not known",
            "three samples at five minutes, the slowest rate in common use"),
    Setting("longest_gap_s", 1800.0, "s", 60.0, 86_400.0,
            "a longer silence restarts delays and steady-state timers",
            "the machine may have been in another state meanwhile; nothing is assumed of it"),
    Setting("pump_running_frac", 0.2, "fraction of rated current", 0.02, 0.6,
            "the pump counts as running above this current",
            "a running motor draws its magnetising current at least, 0.25 of rated or more; a "
            "stopped one reads noise only (common practice)"),
    Setting("pump_settle_s", 180.0, "s", 10.0, 3600.0,
            "time after a pump start before its readings are used",
            "pipes fill and pads soak for two to three minutes (common practice)"),
    Setting("level_settle_s", 600.0, "s", 60.0, 7200.0,
            "time after a pump start or stop before the level is judged",
            "the water held in pads and pipes needs minutes to run back (common practice)"),
    Setting("longest_shelf_s", 604_800.0, "s", 3600.0, 2_592_000.0,
            "longest time an alarm can be shelved; it comes back by itself",
            "a part on order takes a week; what takes longer is out of service (common practice)"),
    Setting("announce_again_high_s", 86_400.0, "s", 0.0, 2_592_000.0,
            "an acknowledged high alarm that still stands is announced again after this; 0: never",
            "what had to be done today and still stands tomorrow was forgotten"),
    Setting("announce_again_medium_s", 864_000.0, "s", 0.0, 7_776_000.0,
            "the same for a medium alarm; 0: never",
            "what had to be done this week is overdue after ten days"),
    Setting("announce_again_low_s", 0.0, "s", 0.0, 31_536_000.0,
            "the same for a low alarm; 0: never",
            "planned work has its list, it needs no second call"),
    Setting("baseline_bins", 72.0, "5-minute means", 24.0, 72.0,
            "accepted steady means that a baseline rests on",
            "six hours: the median of 72 means is then within 1 % on a motor whose current is "
            "noisy by 5 %"),
    Setting("heat_baseline_bins", 24.0, "means, one an hour", 12.0, 72.0,
            "means that the baselines of condensing and of pad pressure drop rest on",
            "a day of running in the mode: night and afternoon both count"),
    Setting("heat_baseline_no_load_days", 7.0, "days", 1.0, 60.0,
            "shortest time over which the same is learned where the unit sends no heat load",
            "load follows hour and weekday: that course is part of what is learned"),
    Setting("baseline_drift_pct", 3.0, "%", 0.5, 20.0,
            "a baseline is not learned while its two halves differ by more than this",
            "a machine that changes by 3 % within hours is not in the state to be remembered"),
)  # fmt: skip


def fleet_setting(name: str, *overrides: Mapping[str, Mapping[str, float]]) -> float:
    """A setting of the fleet as a whole, for one place: the last of ``overrides`` that has it.

    Give those of the fleet, the site and the unit. ``StopIteration`` for an unknown name.
    """
    found = next(s.default for s in FLEET_SETTINGS if s.name == name)
    for one in overrides:
        found = one.get(FLEET, {}).get(name, found)
    return float(found)


class SettingColumns:
    """Resolved settings: ``get(slug, name, rows)`` gives the numbers that apply to those rows."""

    def __init__(self, tables: Mapping[str, Mapping[str, Setting]], n_rows: int) -> None:
        self._n_rows = n_rows
        self._values: dict[tuple[str, str], F64] = {
            (slug, s.name): np.array(s.default)
            for slug, table in tables.items()
            for s in table.values()
        }

    def override(self, slug: str, name: str, value: float, rows: I64 | None = None) -> None:
        """Set a value for some rows, or for all. ``KeyError`` for an unknown setting."""
        column = self._values[(slug, name)]
        if rows is None:
            self._values[(slug, name)] = np.array(float(value))
            return
        if column.ndim == 0:
            column = np.full(self._n_rows, float(column))
            self._values[(slug, name)] = column
        column[rows] = value

    def get(self, slug: str, name: str, rows: I64) -> F64:
        """The setting for each of ``rows``; a 0-d array where all rows share it."""
        column = self._values[(slug, name)]
        return column if column.ndim == 0 else column[rows]

    def one(self, slug: str, name: str, row: int) -> float:
        """The setting for one row."""
        column = self._values[(slug, name)]
        return float(column if column.ndim == 0 else column[row])

    def nbytes(self) -> int:
        """Memory held, in bytes."""
        return sum(v.nbytes for v in self._values.values())
