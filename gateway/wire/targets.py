"""Where a reading goes: from a resolved SenML name and unit to a column of the catalogue.

Decides identity (the topic wins, a name that contradicts it is refused), signal, unit conversion
and limits, once for each name that a unit uses; the decoder keeps the answer.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, NamedTuple

from gateway.batch import Reason
from gateway.wire.unit_wire import UnitWire
from gateway.wire.units import accepted, conversion
from rules.equipment import SignalMapping
from rules.signals import INDEX, SIGNALS, Signal

__all__ = ["Refusal", "Target", "Targets"]

_SEPARATOR: Final = re.compile(r"[:/]")


class Target(NamedTuple):
    """Catalogue value = ``scale`` × wire value + ``offset``, between ``low`` and ``high``.

    ``whole`` asks for a whole number (flags and masks).
    """

    column: int
    scale: float
    offset: float
    low: float
    high: float
    whole: bool


@dataclass(frozen=True)
class Refusal:
    """Why a name or its unit cannot be used. ``subject`` is what the reason is about."""

    reason: Reason
    subject: str
    what: str


class Targets:
    """What the names of every unit mean.

    ``units`` are all that are known: a name that leads to another of them contradicts the topic.
    """

    def __init__(self, units: Collection[tuple[str, str]]) -> None:
        """``units`` are (site, unit)."""
        self._units = frozenset(units)
        self._sites = frozenset(site for site, _ in self._units)
        self._known: dict[Target, Target] = {}

    def find(self, wire: UnitWire, name: str, unit: str | None) -> Target | Refusal:
        """Where a reading of ``wire`` named ``name``, in ``unit``, goes."""
        parts = _SEPARATOR.split(name)
        if other := self._contradiction(wire, parts[:-1]):
            return Refusal(
                Reason.IDENTITY,
                name,
                f"The name '{name[:80]}' speaks of {other}, the topic of {wire.site}/{wire.unit}.",
            )
        mapping = wire.mappings.get(name) or wire.mappings.get(parts[-1])
        column = INDEX.get(mapping.signal if mapping else parts[-1])
        if column is None:
            return Refusal(
                Reason.UNKNOWN_SIGNAL,
                parts[-1] or name,
                f"No signal is called '{(parts[-1] or name)[:80]}', and the site file maps no such "
                "name.",
            )
        signal = SIGNALS[column]
        found = self._conversion(signal, mapping, unit)
        if isinstance(found, Refusal):
            return found
        scale, offset = found
        if signal.name == "head_pressure":
            offset += wire.head_pressure_offset_kpa
        target = Target(column, scale, offset, signal.low, signal.high, signal.kind != "analogue")
        return self._known.setdefault(target, target)  # thousands of units share a few dozen

    def _contradiction(self, wire: UnitWire, prefix: list[str]) -> str:
        """The other unit or site that the parts before the signal speak of; empty if none."""
        here = (wire.site, wire.unit)
        for i, part in enumerate(prefix):
            if part == "sites" and len(prefix) > i + 2:
                named = (prefix[i + 1], prefix[i + 2])
                return "" if named == here else "/".join(named)
        for named in pairwise(prefix):
            if named != here and named in self._units:
                return "/".join(named)
        if not prefix:
            return ""
        if len(prefix) > 1 and prefix[0] != wire.site and prefix[0] in self._sites:
            return f"site {prefix[0]}"
        sibling = (wire.site, prefix[-1])
        return "/".join(sibling) if sibling != here and sibling in self._units else ""

    @staticmethod
    def _conversion(
        signal: Signal, mapping: SignalMapping | None, unit: str | None
    ) -> tuple[float, float] | Refusal:
        symbol = unit or (mapping.unit if mapping else None) or ""
        convert = conversion(symbol, signal)
        if convert is None:
            symbols = ", ".join(accepted(signal)) or "none"
            if not symbol:
                return Refusal(
                    Reason.NO_UNIT,
                    signal.name,
                    f"{signal.name} came without a unit, and the site file declares none (known "
                    f"for it: {symbols}).",
                )
            return Refusal(
                Reason.WRONG_UNIT,
                signal.name,
                f"{signal.name} came in '{symbol[:20]}' (known for it: {symbols}).",
            )
        scale, offset = convert
        if mapping:
            scale, offset = scale * mapping.scale, offset * mapping.scale + mapping.offset
        return scale, offset
