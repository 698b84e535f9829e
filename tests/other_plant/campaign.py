"""A campaign: many units over weeks, run in chunks, seen by sensors and labelled from the truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from .channels import channels
from .climate import wander, weather
from .labels import Judge, iso
from .machine import Design, design
from .mishaps import DAY_S, Event, plan
from .plant import Plant, Truth
from .sensors import Rows, Sensors

__all__ = ["START", "STRANGER_FROM", "Campaign", "run"]

Array = NDArray[np.float64]
START: Final = datetime(2025, 9, 8, tzinfo=UTC).timestamp()
CHUNK_S: Final = 4 * DAY_S
STRANGER_FROM: Final = 0.4
"""Share of the campaign after which an unregistered unit reports."""


@dataclass
class Campaign:
    """What a run gives: rows, labels, states nobody planned, out-of-service times, the stranger."""

    design: Design
    rows: list[Rows]
    labels: list[dict[str, Any]]
    unexplained: list[dict[str, Any]]
    out_of_service: list[dict[str, Any]]
    events: list[Event]
    stranger: int | None
    """A unit whose rows also come under an id that no site file knows, or None."""


def run(
    *, units: int = 60, weeks: float = 8, seed: int = 1, step_s: float | None = None,
    healthy_only: bool = False, watch: Callable[[Array, Truth], None] | None = None,
    events: list[Event] | None = None,
) -> Campaign:  # fmt: skip
    """Run a campaign; ``watch`` sees each chunk's truth, ``events`` replaces the drawn plan."""
    rng = np.random.default_rng(seed)
    d = design(units, step_s, rng)
    span = weeks * 7 * DAY_S
    step = float(np.clip(d.step_s.min(), 10, 60))
    healthy = np.ones(units, dtype=bool)
    if not healthy_only:
        healthy = np.arange(units) % 3 == 2
    if events is None:
        events = plan(d, span, healthy, rng)
    cut_offs = [] if healthy_only else _cut_offs(d, span, rng)
    silent = [
        Event(None, u, a, b, 1.0, trap="cut-off") for s, a, b in cut_offs for u in d.sites[s].units
    ]
    plant = Plant(d, step)
    judge = Judge(d, plant, events, step)
    sensors = Sensors(d, span, events + silent, rng)
    whole = np.arange(0.0, span, step)
    air = [weather(s.climate, START, whole, rng, hot_spell=rng.random() < 0.3) for s in d.sites]
    load = _loads(d, whole, air, rng)
    supply = np.stack([
        np.stack([1 + 0.008 * wander(whole.size, step, 7200, rng) for _ in d.sites], axis=1),
        np.stack([1 + 0.06 * wander(whole.size, step, 6 * 3600, rng) for _ in d.sites], axis=1),
    ])  # fmt: skip
    rows: list[Rows] = []
    per = int(CHUNK_S / step)
    for a in range(0, whole.size, per):
        cut = slice(a, a + per)
        t = whole[cut]
        here = [w.cut(cut) for w in air]
        truth = plant.run(
            t, here, load[cut].astype(np.float64), supply[:, cut], channels(d, events, t)
        )
        judge.look(t, truth)
        rows += sensors.read(t, step, truth)
        if watch is not None:
            watch(t, truth)
    labels, unexplained = judge.write(START, span)
    for s, first, last in cut_offs:
        severity = "high" if last - first >= 12 * 3600 else "medium"
        labels.append(_plain(d.sites[s].id, None, "site-cut-off", first, last, severity))
    stranger = None
    if not healthy_only and units >= 9:
        stranger = int(np.flatnonzero(~healthy)[-1])
        site = d.sites[int(d.site_of[stranger])].id
        labels.append(
            _plain(site, "spare-9", "unit-unregistered", STRANGER_FROM * span, span, "medium")
        )
    away = [
        judge.name_of(e.unit) | {"start": iso(START + e.start_s), "end": iso(START + e.end_s)}
        for e in events if e.trap == "technician"
    ]  # fmt: skip
    labels.sort(key=lambda r: (r["start"], r["site"], str(r["unit"])))
    return Campaign(d, rows, labels, unexplained, away, events, stranger)


def _plain(
    site: str, unit: str | None, fault: str, first_s: float, last_s: float, severity: str
) -> dict[str, Any]:
    return {
        "site": site, "unit": unit, "fault": fault, "start": iso(START + first_s),
        "end": iso(START + last_s), "severity": severity, "shape": "sudden",
    }  # fmt: skip


def _cut_offs(d: Design, span_s: float, rng: np.random.Generator) -> list[tuple[int, float, float]]:
    """(site, start, end) of some sites' silences; those of an hour and a half up to a day."""
    chosen = rng.permutation(len(d.sites))[: max(1, len(d.sites) // 4)]
    return [
        (int(s), float(a), float(a + rng.choice([1.6, 5.0, 14.0, 26.0]) * 3600))
        for s, a in zip(chosen, rng.uniform(0.35, 0.9, chosen.size) * span_s, strict=True)
    ]


def _loads(d: Design, t_s: Array, air: list[Any], rng: np.random.Generator) -> NDArray[np.float32]:
    """Compressor load, share of rated, by hour, weekday and weather. (steps, units)"""
    out = np.empty((t_s.size, d.n), dtype=np.float32)
    step = float(t_s[1] - t_s[0])
    for u in range(d.n):
        climate = d.climate(u)
        local = (START + t_s) / 3600 + climate.utc_offset_h
        hour, weekday = local % 24, ((local // 24) + 3) % 7
        work = 1 / (1 + np.exp(-(hour - 6.5) * 2)) / (1 + np.exp((hour - 19.5) * 1.5))
        work = work * np.where(weekday >= 5, d.col["weekend"][u], 1.0)
        warm = 0.006 * (air[int(d.site_of[u])].dry_bulb_degc - climate.mean_degc)
        load = d.col["load_base"][u] + d.col["load_swing"][u] * work + warm
        load = load + 0.05 * wander(t_s.size, step, 2400, rng)
        quiet = (d.col["night_off"][u] > 0) & ((hour < 4.5) | (hour > 21.8))
        # Compressors come back one by one, over half an hour.
        soft = uniform_filter1d(
            np.where(quiet, 0.02, np.clip(load, 0.15, 1.0)), int(1800 / step) + 1
        )
        out[:, u] = soft
    return out
