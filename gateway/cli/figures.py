"""The alarm figures as lines of text and as JSON, with units and sites by name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from gateway.cli.output import clean, utc
from rules.alarm_figures import TARGETS, AlarmFigures

__all__ = ["to_json", "to_lines"]


def to_json(figures: AlarmFigures, names: Mapping[int, str]) -> dict[str, Any]:
    """All figures, with the unit's name beside each row, and the targets."""
    data = figures.to_json()
    for name in ("chattering", "fleeting", "stale", "top_ten"):
        data[name] = [{"unit": names.get(r["unit_row"], ""), **r} for r in data[name]]
    data["targets"] = {name: target._asdict() for name, target in TARGETS.items()}
    return data


def to_lines(figures: AlarmFigures, names: Mapping[int, str]) -> Iterator[str]:
    """The figures beside their targets, then the alarms to look at."""
    f = figures
    yield f"Alarms from {utc(f.start_ms)} to {utc(f.end_ms)}"
    yield (
        f"{f.announcements} announcements (raised, worsened or announced again), {f.raised} of "
        "them alarms raised"
    )
    yield ""
    each = "" if f.operators == 1 else f", for each of {f.operators} operators"
    shares = " / ".join(f"{v:.0f}" for v in f.priority_pct.values())
    rows = [
        ("per_day", "a day", f"{f.per_day:.2f}"),
        ("", "an hour", f"{f.per_hour:.3f}"),
        ("per_ten_minutes", "ten minutes, mean", f"{f.per_ten_minutes:.4f}"),
        ("peak_ten_minutes", "ten minutes, peak", f"{f.peak_ten_minutes:g}"),
        ("busy_periods_pct", "ten-minute periods above 10", f"{f.busy_periods_pct:.2f} %"),
        ("busy_hours_pct", "hours above 30", f"{f.busy_hours_pct:.2f} %"),
        ("flood_time_pct", "time in flood", f"{f.flood_time_pct:.2f} %"),
        ("chattering", "chattering alarms", str(len(f.chattering))),
        ("", "fleeting alarms", str(len(f.fleeting))),
        ("stale_most", "stood over a day, most at once", str(f.stale_most)),
        ("top_ten_pct", "ten most frequent, their share",
         "none" if f.top_ten_pct is None else f"{f.top_ten_pct:.0f} %"),
        ("priority_pct", "low / medium / high raised, %", shares or "none"),
    ]  # fmt: skip
    yield f"  {f'announcements{each}':<44}  target"
    for key, title, value in rows:
        target = TARGETS[key].text if key else ""
        yield f"  {title:<31} {value:<12}  {target}".rstrip()
    yield ""
    if f.peak_ms is not None:
        yield f"  Most announcements in ten minutes: from {utc(f.peak_ms)}"
    for priority, seconds in f.acknowledged_median_s.items():
        yield f"  {priority} alarms acknowledged after {seconds / 60.0:.0f} min (median)"
    yield (
        f"  Shelved {f.shelved}, suppressed by design {f.suppressed}, "
        f"out of service {f.out_of_service} times"
    )
    for title, items in (
        (
            "Most frequent (announcements)",
            [(t.unit_row, t.fault, t.announcements) for t in f.top_ten],
        ),
        ("Chattering (times raised)", [(t.unit_row, t.fault, t.times) for t in f.chattering]),
        ("Fleeting (times)", [(t.unit_row, t.fault, t.times) for t in f.fleeting]),
        (
            "Standing for more than a day (whole days)",
            [(t.unit_row, t.fault, t.days) for t in f.stale],
        ),
    ):
        if items:
            yield ""
            yield f"{title}:"
            for row, fault, count in items:
                yield clean(f"  {count:>6}  {names.get(row, str(row))}  {fault}")
    for flood in f.floods:
        yield ""
        yield (
            f"Flood from {utc(flood.start_ms)} to {utc(flood.end_ms)}: {flood.announcements} "
            "announcements"
        )
