"""A figure of consumption: an amount with method, coverage and uncertainty; and sums of them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

__all__ = ["AMOUNTS", "Amount", "Share", "UnitUse", "summed"]

AMOUNTS: Final[Mapping[str, tuple[str, str]]] = {
    "makeup": ("Make-up water", "L"),
    "evaporation": ("Evaporated", "L"),
    "bleed": ("Bled and leaked", "L"),
    "overflow": ("Run over the lip", "L"),
    "standing": ("Lost at standstill", "L"),
    "unaccounted": ("Came in and was not seen to leave", "L"),
    "beyond_target": ("More than the intended cycles need", "L"),
    "cycles": ("Cycles of concentration", ""),
    "raised": ("Condensing above the clean unit", "K"),
    "raised_energy": ("Compressor energy by that", "kWh"),
    "fans_energy": ("Compressor energy by lost fans", "kWh"),
    "wet_hours": ("Hours of wet running", "h"),
    "heard": ("Hours with telemetry", "h"),
}
"""The figures by name: title and unit. All but cycles and kelvin are sums over the time known."""

MEANS: Final = ("cycles", "raised")


@dataclass(frozen=True)
class Amount:
    """One figure. ``value`` and ``sd`` (one standard deviation) are None where nothing is known.

    ``coverage_frac`` is the share of the period that it was measured in, 0 to 1; the value is of
    that time alone. ``method`` says how it was come by, or why it is not known.
    """

    value: float | None
    sd: float | None
    coverage_frac: float
    method: str

    @classmethod
    def unknown(cls, why: str) -> Amount:
        """A figure that is not known, with the reason."""
        return cls(None, None, 0.0, why)

    def __post_init__(self) -> None:
        """Refuse what would read as knowledge: numbers that are none, coverage beyond the whole."""
        known = [v for v in (self.value, self.sd) if v is not None]
        if not all(math.isfinite(v) for v in known) or len(known) == 1:
            msg = f"an amount needs a finite value and deviation, or neither: {self}"
            raise ValueError(msg)
        if not 0.0 <= self.coverage_frac <= 1.0:
            msg = f"coverage_frac ({self.coverage_frac:g}) is not between 0 and 1"
            raise ValueError(msg)


@dataclass(frozen=True)
class Share:
    """What one fault cost while its alarm stood: water that it wasted, energy that it took.

    Where several faults stood at once, each has an equal part, so that the parts add up.
    """

    fault: str
    hours: float
    """How long it stood in the period. [h]"""
    water: Amount
    energy: Amount


@dataclass(frozen=True)
class UnitUse:
    """What a unit used from ``start_ms`` to ``end_ms`` (UTC, ms since 1970)."""

    start_ms: int
    end_ms: int
    amounts: Mapping[str, Amount]
    faults: tuple[Share, ...] = ()
    notes: tuple[str, ...] = field(default=())

    def to_json(self) -> dict[str, Any]:
        """As plain JSON data."""
        return {
            "start_ms": self.start_ms,
            "end_ms": self.end_ms,
            "amounts": {name: vars(amount).copy() for name, amount in self.amounts.items()},
            "faults": [
                {
                    "fault": s.fault, "hours": s.hours,
                    "water": vars(s.water).copy(), "energy": vars(s.energy).copy(),
                }
                for s in self.faults
            ],
            "notes": list(self.notes),
        }  # fmt: skip

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> UnitUse:
        """Read back from :meth:`to_json`."""
        return cls(
            data["start_ms"],
            data["end_ms"],
            {name: Amount(**amount) for name, amount in data["amounts"].items()},
            tuple(
                Share(s["fault"], s["hours"], Amount(**s["water"]), Amount(**s["energy"]))
                for s in data["faults"]
            ),
            tuple(data["notes"]),
        )


def summed(amounts: Sequence[Amount], *, mean: bool = False) -> Amount:
    """The sum, or with ``mean`` the mean, of the figures of several units.

    Errors of evaporation, of a rule of thumb or of an assumed share are alike in all units, so
    deviations are added, not their squares: the cautious of both ways. The coverage is the mean
    over all units, those that know nothing among them.
    """
    if not amounts:
        return Amount.unknown("There is no unit.")
    known = [a for a in amounts if a.value is not None and a.sd is not None]
    if not known:
        reasons = dict.fromkeys(a.method for a in amounts)
        return Amount.unknown(next(iter(reasons)))
    by = len(known) if mean else 1
    methods = list(dict.fromkeys(a.method for a in known))
    text = methods[0] if len(methods) == 1 else f"{len(methods)} ways: {'; '.join(methods)}"
    if len(known) < len(amounts):
        text = f"{len(known)} of {len(amounts)} units. {text}"
    return Amount(
        sum(a.value or 0.0 for a in known) / by,
        sum(a.sd or 0.0 for a in known) / by,
        sum(a.coverage_frac for a in amounts) / len(amounts),
        text,
    )
