"""Labels from the truth: when an event physically showed, how far it went, what followed from it.

Each kind of fault has a measure of its physical effect, taken only while it can show (a screen's
only while the pump runs), and three bounds on it: planned work, this week, today. A class counts
once the effect was in it for ``HOLD_H`` hours in all. The event's intention does not count.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from .machine import Design
from .measures import BOUNDS, MEASURES, Moment
from .mishaps import Event
from .plant import Plant, Truth
from .waterworks import motor_current

__all__ = ["Judge", "iso"]

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]
SEVERITIES: Final = ("low", "medium", "high")

_NO_WATER: Final = (
    "pump-not-running", "float-stuck-shut", "pump-overload", "pump-drawing-air",
    "pump-screen-clogging", "distribution-restricted",
)  # fmt: skip
CAUSED_BY: Final[dict[str, tuple[str, ...]]] = {
    "conductivity-high": (
        "bleed-blocked", "makeup-quality-changed", "conductivity-high", "pump-screen-clogging",
        "distribution-restricted", "pump-drawing-air", "float-stuck-shut",
    ),
    "head-pressure-high": (
        *_NO_WATER[:4], "fan-fault", "fan-not-proven", "fan-capacity-lost", "coil-fouled",
        "pads-clogged", "pads-not-wetting", "basin-not-drained", "warm-standing-water", *_NO_WATER,
    ),
    "pump-drawing-air": ("float-stuck-shut",),
    "pads-not-wetting": _NO_WATER,
    "warm-standing-water": ("basin-not-drained", "pump-not-running", "pump-overload"),
    "basin-not-drained": (
        "warm-standing-water", "frost-risk", "pump-not-running", "pump-overload",
    ),
    "frost-risk": ("basin-not-drained", "warm-standing-water"),
}  # fmt: skip
"""What can bring such a state about, likeliest first; any other state is nobody's doing."""

HOLD_H: Final = 0.25
SET_POINT_PASSED: Final = 1.1
"""Cycles over the intended that no healthy bleed by conductivity, 0.95 to 1.03, lets be reached."""


@dataclass
class _Tally:
    hours: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    onsets: list[float | None] = field(default_factory=lambda: [None, None, None])
    first: float | None = None
    exposed_h: float = 0.0
    first_exposed: float | None = None
    below_65_s: float | None = None


class Judge:
    """Collects what the truth says of every event, and of conditions nobody planned."""

    def __init__(self, d: Design, plant: Plant, events: list[Event], step_s: float) -> None:
        self.d, self.plant, self.step_s = d, plant, step_s
        self.events = [e for e in events if e.kind is not None]
        self.tallies = [_Tally() for _ in self.events]
        self.runs: dict[tuple[str, int], list[list[float]]] = {}
        clean = motor_current(np.ones(d.n), d.col["magnetising"], np.ones(d.n))
        self.clean_amps = d.col["amps"] * clean

    def look(self, t_s: Array, truth: Truth) -> None:
        """Take in one chunk of the truth."""
        for e, tally in zip(self.events, self.tallies, strict=True):
            inside = (t_s >= e.start_s) & (t_s < e.end_s)
            if inside.any():
                self._event(e, tally, t_s[inside], {k: v[inside, e.unit] for k, v in truth.items()})
        for slug, mask in self._conditions(truth).items():
            for unit in np.flatnonzero(mask.any(axis=0)):
                edges = np.flatnonzero(np.diff(np.r_[False, mask[:, unit], False].astype(int)))
                runs = self.runs.setdefault((slug, int(unit)), [])
                for a, b in edges.reshape(-1, 2):
                    start, end = float(t_s[a]), float(t_s[b - 1] + self.step_s)
                    if runs and start - runs[-1][1] < 86_400:
                        runs[-1][1] = end
                        runs[-1][2] += end - start
                    else:
                        runs.append([start, end, end - start])

    def _event(self, e: Event, tally: _Tally, t: Array, x: dict[str, Any]) -> None:
        assert e.kind is not None
        columns = {k: float(v[e.unit]) for k, v in self.d.col.items()}
        columns["clean_amps"] = float(self.clean_amps[e.unit])
        columns["cut_out_degc"] = float(self.plant.cut_out_degc[e.unit])
        measure, exposed = MEASURES[e.kind.slug](Moment(e, t, x, columns))
        if e.kind.slug in {"level-frozen", "reading-frozen"}:
            measure = tally.exposed_h + np.cumsum(exposed) * self.step_s / 3600
            if tally.first is None:
                tally.first = e.start_s  # stuck from the first moment, moved water or not
        measure = np.where(exposed, measure, -np.inf)
        hours = self.step_s / 3600
        bounds = BOUNDS[e.kind.slug]
        tally.exposed_h += float(exposed.sum()) * hours
        if exposed.any() and tally.first_exposed is None:
            tally.first_exposed = float(t[np.argmax(exposed)])
        seen = measure >= (0.4 * bounds[0] if 0 < bounds[0] < 0.5 else bounds[0])
        if e.kind.slug == "conductivity-high":
            # A set point raised acts from when the bleed should have opened and did not.
            seen = exposed & (x["cond"] > SET_POINT_PASSED * columns["target_c"])
        if tally.first is None and seen.any():
            tally.first = float(t[np.argmax(seen)])
        hold = 0.05 if e.mode == "locked" else HOLD_H
        for k, bound in enumerate(bounds):
            there = np.cumsum(measure >= bound) * hours + tally.hours[k]
            if tally.onsets[k] is None and there[-1] >= hold:
                tally.onsets[k] = float(t[np.argmax(there >= hold)])
            tally.hours[k] = float(there[-1])
        if e.kind.slug == "pump-screen-clogging" and tally.below_65_s is None:
            low = exposed & (x["flow"] < 0.65 * self.d.col["flow"][e.unit])
            if low.any():
                tally.below_65_s = float(t[np.argmax(low)])

    def _conditions(self, x: Truth) -> dict[str, Bool]:
        """States of the plant that are faults in themselves whoever caused them, (steps, units)."""
        c = self.d.col
        water = x["level"] > 20
        drains = c["drain_after_h"] < 1e6
        return {
            "conductivity-high": (x["cond"] > c["limit_c"])
            & (x["level"] > 40)
            & (x["pump_on"] > 0),
            "head-pressure-high": x["tc"] > self.plant.cut_out_degc - 5,
            "pump-drawing-air": (x["pump_on"] > 0) & (x["gas"] < 0.9),
            "pads-not-wetting": (x["pump_cmd"] > 0) & (x["flow"] < 0.5 * c["flow"]),
            "warm-standing-water": water & (x["stands_h"] > 24) & (x["tbasin"] > 25),
            "basin-not-drained": water & drains & (x["stands_h"] > 36),
            "frost-risk": water & (x["t"] < -0.3) & (x["stands_h"] > 1),
        }

    def write(
        self, start: float, span_s: float
    ) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
        """The labels, and the states that no event explains (a healthy plant has none)."""
        labels = [
            made for e, tally in zip(self.events, self.tallies, strict=True)
            if (made := self._label(e, tally, start, span_s)) is not None
        ]  # fmt: skip
        unexplained = []
        shortest = {"head-pressure-high": 900, "pump-drawing-air": 900, "conductivity-high": 1800}
        for (slug, unit), runs in sorted(self.runs.items()):
            for first, last, total in runs:
                if total < shortest.get(slug, 3600):
                    continue
                roots = [
                    e for e in self.events
                    if e.unit == unit and e.start_s < last and e.end_s + 1.5 * 86_400 > first
                ]  # fmt: skip
                if any(e.kind is not None and e.kind.slug == slug for e in roots):
                    continue
                record = self.name_of(unit) | {
                    "fault": slug, "start": iso(start + first), "end": iso(start + last),
                    "severity": "low",
                }  # fmt: skip
                able = {e.kind.slug for e in roots if e.kind is not None}
                found = [root for root in CAUSED_BY[slug] if root in able]
                if found:
                    record["follows"] = found[0]
                    labels.append(record)
                else:
                    unexplained.append(record)
        return labels, unexplained

    def name_of(self, unit: int) -> dict[str, Any]:
        """Site and unit, as labels name them."""
        return {"site": self.d.sites[int(self.d.site_of[unit])].id, "unit": self.d.ids[unit]}

    def _label(self, e: Event, tally: _Tally, start: float, span_s: float) -> dict[str, Any] | None:
        assert e.kind is not None
        reached = [k for k in range(3) if tally.onsets[k] is not None]
        first = tally.first
        subtle = not reached
        if subtle:
            if tally.exposed_h < 3:
                return None
            first = tally.first_exposed if first is None else first
        assert first is not None
        out = self.name_of(e.unit) | {
            "fault": e.kind.slug,
            "start": iso(start + first),
            "end": iso(start + min(e.end_s, span_s)),
            "severity": SEVERITIES[reached[-1]] if reached else "low",
            "onsets": {SEVERITIES[k]: iso(start + (tally.onsets[k] or 0.0)) for k in reached},
            "shape": "gradual" if e.gradual else "sudden",
            "shown_h": round(tally.exposed_h, 1),
        }
        optional = {
            "variant": e.mode or e.kind.variant, "signal": e.signal,
            "accepts": list(e.kind.accepts), "subtle": subtle,
        }  # fmt: skip
        out |= {k: v for k, v in optional.items() if v}
        if tally.below_65_s is not None:
            out["flow_below_65"] = iso(start + tally.below_65_s)
        return out


def iso(epoch_s: float) -> str:
    """RFC 3339 in UTC, whole seconds."""
    return datetime.fromtimestamp(round(epoch_s), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
