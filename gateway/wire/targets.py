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

from gateway.batch import Reason, RefusedReading
from gateway.wire.unit_wire import UnitWire
from gateway.wire.units import accepted, conversion
from rules.equipment import SignalMapping
from rules.signals import INDEX, SIGNALS, Signal

__all__ = ["Refusal", "Target", "Targets"]

_SEPARATOR: Final = re.compile(r"[:/]")
_PER_CENT: Final = {"%": "percent"}
"""Outside SenML the sign means 0 to 100."""


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
    """Why a record cannot be used. ``subject`` is what the reason is about.

    ``reading`` is what it said, where that was understood and only its value or time is refused.
    """

    reason: Reason
    subject: str
    what: str
    reading: RefusedReading | None = None


class Targets:
    """What the names of every unit mean.

    ``units`` are all that are known: a name that leads to another of them contradicts the topic.
    """

    def __init__(self, units: Collection[tuple[str, str]]) -> None:
        """``units`` are (site, unit)."""
        self._units = frozenset(units)
        self._sites = frozenset(site for site, _ in self._units)
        self._known: dict[Target, Target] = {}

    def find(
        self, wire: UnitWire, name: str, unit: str | None, *, folders: bool = False
    ) -> Target | Refusal:
        """Where a reading of ``wire`` named ``name``, in ``unit``, goes.

        ``folders`` says that a path before the signal is no place but an arrangement of names, as
        in Sparkplug, and that ``unit`` is a text for people: what the site file declares goes
        before it, and ``%`` is per cent.
        """
        parts = _SEPARATOR.split(name)
        prefix = name[: len(name) - len(parts[-1])]
        if other := self._contradiction(wire, name, prefix, folders=folders):
            return Refusal(
                Reason.IDENTITY,
                name,
                f"The name '{name[:80]}' speaks of {other}, the topic is that of "
                f"{wire.site}/{wire.unit}.",
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
        if folders:
            unit = mapping.unit if mapping and mapping.unit else _PER_CENT.get(unit or "", unit)
        found = self._conversion(signal, mapping, unit)
        if isinstance(found, Refusal):
            return found
        scale, offset = found
        if signal.name == "head_pressure":
            offset += wire.head_pressure_offset_kpa
        target = Target(column, scale, offset, signal.low, signal.high, signal.kind != "analogue")
        return self._known.setdefault(target, target)  # thousands of units share a few dozen

    def _contradiction(self, wire: UnitWire, name: str, prefix: str, *, folders: bool) -> str:
        """What else than ``wire`` the part of ``name`` before the signal speaks of; empty if none.

        Ids are lower-case, so capitals make no other id of one.
        """
        here = (wire.site, wire.unit)
        parts = [p for p in _SEPARATOR.split(prefix.casefold()) if p]
        for i, part in enumerate(parts[:-2]):
            if part == "sites":
                named = (parts[i + 1], parts[i + 2])
                return "" if named == here else "/".join(named)
        pairs = [*pairwise(parts)]
        for named in pairs:
            if named != here and named in self._units:
                return "/".join(named)
        if len(parts) > 1 and parts[0] != wire.site and parts[0] in self._sites:
            return f"site {parts[0]}"
        if parts and parts[-1] != wire.unit and (wire.site, parts[-1]) in self._units:
            return f"{wire.site}/{parts[-1]}"
        # What the site file maps by its whole name was said of this unit.
        if folders or here in pairs or name in wire.mappings:
            return ""
        path = _foreign_path(wire, prefix)
        return f"{path} (a path before the signal is read as site/unit)" if path else ""

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


def _foreign_path(wire: UnitWire, prefix: str) -> str:
    """The path in ``prefix`` that names a place that is not this unit; empty if there is none.

    Two or more components by '/' are a place, unless the first is this unit: then the others are
    parts of it. A URN (RFC 8141) names a device and no place, and from a single component nothing
    can be read.
    """
    if prefix[:4].casefold() == "urn:":
        return ""
    for segment in prefix.split(":"):
        path = [p for p in segment.split("/") if p]
        if len(path) > 1 and path[0].casefold() != wire.unit:
            return "/".join(path)[:80]
    return ""
